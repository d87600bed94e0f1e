"""The listening page in a real browser: judged, marked, saved, taken in and counted."""

import csv
import re
import resource

import numpy as np
import polars as pl
import pytest
from scipy.special import logit

from pipeline.answers.listening.error_rates import listening_results
from pipeline.errors import DataError
from pipeline.pages.listen import listen
from pipeline.pages.results import results_page
from pipeline.stats.detection import Judgements, true_slides_per_find, worth
from pipeline.store.adding.reviews import take_in
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only
from pipeline.store.schema import load
from tests.helpers.browser import barriers, until
from tests.helpers.measured_corpus import measure

pytestmark = pytest.mark.slow


def test_a_listening_round_by_keyboard(measured, page, tmp_path):
    sample = listen(measured, number=10, by=("player",), seed=3)
    assert sum(sample.numbers.values()) == 10
    assert min(sample.numbers.values()) >= 1
    page.goto(sample.page.as_uri())
    assert page.inner_text("#ours") == "Hidden until you have judged."
    page.keyboard.press("h")
    until(page, "document.getElementById('sound').currentTime > 0.1")
    for number in range(10):
        page.keyboard.press("s" if number % 2 == 0 else "n")
        if number % 2 == 0:
            page.keyboard.press("1")
        assert page.inner_text("#ours") != "Hidden until you have judged."
        page.keyboard.press("ArrowRight")
    assert "10 judged" in page.inner_text("#done")
    page.fill("#listener", "Ed")
    with page.expect_download() as download:
        page.click("#save")
    saved = tmp_path / download.value.suggested_filename
    download.value.save_as(saved)
    with saved.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["verdict"] for row in rows].count("slide") == 5
    assert {row["listener"] for row in rows} == {"Ed"}
    assert page.problems == []
    assert page.fetched == []

    page.evaluate("localStorage.clear()")
    page.reload()
    page.set_input_files("#resume", saved)
    until(page, "document.getElementById('message').textContent.startsWith('10 verdicts')")

    assert take_in(Corpus(measured), saved).added == {"ed": 10}
    repeated = take_in(Corpus(measured), saved)
    assert (repeated.added, repeated.known) == ({}, 10)
    measure(measured)
    results = listening_results(measured)
    assert results.items == 9  # one of the ten is heard twice
    assert results.listeners == ("ed",)
    assert 0 <= results.errors.precision.low <= results.errors.precision.estimate <= results.errors.precision.high <= 1

    page.goto(results_page(measured, results).as_uri())
    assert page.problems == []
    assert barriers(page) == []


def test_the_page_says_when_enough_has_been_heard(measured, page):
    sample = listen(measured, number=90, within=1.2, seed=3)
    page.goto(sample.page.as_uri())
    data = page.evaluate("JSON.parse(document.getElementById('listen-data').textContent)")
    model, items = data["model"], data["items"]
    assert page.inner_text("#known") == ""
    heard, said = {}, []
    for number, item in enumerate(items):
        heard[item["item_id"]] = item["drawn_from"] == "slide" and number % 9 > 0
        page.keyboard.press("s" if heard[item["item_id"]] else "n")
        page.keyboard.press("ArrowRight")
        if number < 20:
            said.append(page.inner_text("#known"))
    assert "too few are judged" in next(text for text in said if text)
    early = within(said[-1])
    assert "reached" not in said[-1]
    once = [item for item in items if not item["again"]]
    finds, changes = ([i for i in once if i["drawn_from"] == name] for name in ("slide", "transition"))
    judged = worth([i["stands_for"] for i in finds])
    right = sum(i["stands_for"] * heard[i["item_id"]] for i in finds) / sum(i["stands_for"] for i in finds)
    chances = np.clip([i["chance"] for i in changes], 1e-4, 1 - 1e-4)
    logits, numbers = np.array(model["changes"]).T
    given = Judgements(
        *(np.array([x]) for x in (float(model["finds"]), judged, judged * right)),
        np.zeros(len(changes), dtype=int), logit(chances), np.zeros(len(changes)),
        np.zeros(len(logits), dtype=int), logits, numbers,
    )  # fmt: skip
    low, high = np.quantile(true_slides_per_find(given, seed=(1,), replicates=4000), [0.025, 0.975])
    late = page.inner_text("#known")
    closely = np.sqrt(high / low) - 1
    assert abs(within(late) - closely) < 0.1 * closely + 0.005  # told in whole per cents
    assert within(late) < early
    assert "reached: you may save" in late


def within(words):
    """How closely slides per find are known, as the page says it."""
    return float(re.search(r"within about (\d+) %", words)[1]) / 100


def test_a_missed_slide_is_marked_taken_in_and_counted(measured, page, tmp_path):
    sample = listen(measured, number=40, by=(), seed=4)
    page.goto(sample.page.as_uri())
    items = page.evaluate("JSON.parse(document.getElementById('listen-data').textContent).items")
    place = next(n for n, item in enumerate(items) if item["ours"] == "no slide." and not item["stretch"])
    asked_s = items[place]["asked_from_s"]
    for _ in range(place):
        page.keyboard.press("ArrowRight")
    until(page, "document.getElementById('sound').readyState > 0")
    page.keyboard.press("s")
    for time_s, key in ((asked_s + 0.05, "["), (asked_s + 0.2, "]")):
        page.evaluate(f"document.getElementById('sound').currentTime = {time_s}")
        page.keyboard.press(key)
    assert "elsewhere" not in page.inner_text("#marked")
    saved = tmp_path / "flo.csv"
    drawn, missed = saved_by(page, "flo", saved)
    assert (drawn["sample_id"] != "", missed["sample_id"], missed["verdict"]) == (True, "", "slide")
    assert 0.1 < float(missed["transfer_end_s"]) - float(missed["transfer_start_s"]) < 0.2

    take_in(Corpus(measured), saved)
    measure(measured)
    with open_read_only(measured) as con:
        rows = con.sql("from stage.judged_slide where origin <> 'found'").pl().to_dicts()
    assert [(row["transfer_id"], row["verdict"]) for row in rows] == [(missed["transfer_id"], "slide")]


def test_a_slide_heard_beside_the_shaded_change_is_none_of_it(measured, page, tmp_path):
    sample = listen(measured, number=40, by=(), seed=4)
    page.goto(sample.page.as_uri())
    items = page.evaluate("JSON.parse(document.getElementById('listen-data').textContent).items")
    page.keyboard.press("s")
    page.locator("#mark-start").fill("0")
    page.locator("#mark-end").fill("0.2")
    assert "elsewhere" in page.inner_text("#marked")
    page.click("#next")
    page.keyboard.press("s")
    saved = tmp_path / "ida.csv"
    asked, beside, unmarked = saved_by(page, "ida", saved)
    assert (asked["item_id"], asked["verdict"], asked["kind"]) == (items[0]["item_id"], "no_slide", "")
    assert (beside["item_id"], beside["sample_id"], beside["verdict"]) == ("", "", "slide")
    assert float(beside["transfer_end_s"]) < items[0]["transfer_start_s"]
    assert (unmarked["item_id"], unmarked["verdict"]) == (items[1]["item_id"], "slide")

    page.evaluate("localStorage.clear()")
    page.reload()
    page.set_input_files("#resume", saved)
    until(page, "document.getElementById('message').textContent.startsWith('2 verdicts')")
    assert "elsewhere" in page.inner_text("#marked")


def test_every_excerpt_names_its_change_and_none_gives_itself_away(measured, page):
    sample = listen(measured, number=60, by=(), seed=6)
    page.goto(sample.page.as_uri())
    items = page.evaluate("JSON.parse(document.getElementById('listen-data').textContent).items")
    changes = [item for item in items if not item["stretch"]]
    assert len(changes) > 20
    for item in changes:
        assert re.fullmatch(r"The (change from \S+ to|beginning of) \S+, shaded", item["asked"])
        assert item["asked_to_s"] - item["asked_from_s"] >= 0.299 or item["asked_from_s"] == 0
        assert 0 <= item["asked_from_s"] < item["asked_to_s"] <= item["length_s"] + 1e-6
    drawn = Corpus(measured).catalogue.frame("drawn_item").filter(pl.col("sample_id") == sample.sample_id)
    again = drawn.filter(pl.col("repeat_of").is_not_null())
    assert again.height == 6
    first = again.join(drawn, left_on="repeat_of", right_on="item_id")
    assert (first["transfer_start_s"] == first["transfer_start_s_right"]).all()


def test_without_room_on_the_disk_neither_page_nor_sample_is_left(measured):
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))  # stands for a full disk
    try:
        with pytest.raises((OSError, DataError)):
            listen(measured, number=6, by=(), seed=2)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list((measured / "reviews").rglob("*.csv")) == []
    assert list((measured / "derived" / "listen").iterdir()) == []


def test_leaving_with_unsaved_verdicts_is_warned_about(measured, page):
    sample = listen(measured, number=6, by=(), seed=1)
    page.goto(sample.page.as_uri())
    page.click("button[data-verdict=no_slide]")
    asked = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    page.reload()
    assert asked == ["beforeunload"]


def test_listening_page_passes_the_accessibility_check(measured, page):
    sample = listen(measured, number=6, by=(), seed=2)
    page.goto(sample.page.as_uri())
    assert barriers(page) == []


def bracket_s(page, lane, end, length_s):
    """Where a bracket is drawn in a lane, in seconds of the excerpt."""
    share = """([lane, end]) => { const host = document.querySelector(lane), box = host.getBoundingClientRect();
        const edges = host.querySelector(`.bracket.${end}`).getBoundingClientRect();
        return ((end === "from" ? edges.right : edges.left) - box.left - host.clientLeft) / host.clientWidth; }"""
    return page.evaluate(share, [lane, end]) * length_s


@pytest.mark.parametrize(("lane", "by"), [("#strip", "mouse"), ("#drawing", "touch")])
def test_brackets_are_dragged_in_strip_and_picture_in_step_with_the_sliders(measured, page, lane, by):
    page.goto(listen(measured, number=6, by=(), seed=2).page.as_uri())
    one = page.evaluate("JSON.parse(document.getElementById('listen-data').textContent).items[0]")
    assert page.locator(".bracket:visible").count() == 0
    page.keyboard.press("v")
    page.keyboard.press("s")
    page.locator(lane).scroll_into_view_if_needed()
    grip, host = page.locator(f"{lane} .bracket.to").bounding_box(), page.locator(lane).bounding_box()
    x, y = grip["x"] + grip["width"] / 2, grip["y"] + grip["height"] / 2
    away = 0.2 * host["width"] / one["length_s"]
    if by == "mouse":
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + away, y, steps=4)
        page.mouse.up()
        page.mouse.move(x, y)  # let go, it stays
    else:
        finger = page.context.new_cdp_session(page)
        for kind, points in (("Start", [x]), ("Move", [x + away / 2]), ("Move", [x + away]), ("End", [])):
            touched = [{"x": at, "y": y} for at in points]
            finger.send("Input.dispatchTouchEvent", {"type": f"touch{kind}", "touchPoints": touched})
    wanted = one["asked_to_s"] + 0.2
    assert float(page.input_value("#mark-end")) == pytest.approx(wanted, abs=0.02)
    for each in ("#strip", "#drawing"):
        assert bracket_s(page, each, "to", one["length_s"]) == pytest.approx(wanted, abs=0.02)
        assert bracket_s(page, each, "from", one["length_s"]) == pytest.approx(one["asked_from_s"], abs=0.02)
    page.locator("#mark-start").focus()
    page.keyboard.press("ArrowLeft")
    moved = float(page.input_value("#mark-start"))
    assert moved < one["asked_from_s"]
    assert bracket_s(page, lane, "from", one["length_s"]) == pytest.approx(moved, abs=0.011)
    assert f"{moved:.2f} s" in page.get_attribute("#mark-start", "aria-valuetext")
    page.click("#unmark")
    assert float(page.input_value("#mark-end")) == pytest.approx(one["asked_to_s"], abs=0.006)
    assert page.problems == []
    assert barriers(page) == []


def saved_by(page, name, path):
    """What the page saves under a listener's name, as rows."""
    page.fill("#listener", name)
    with page.expect_download() as download:
        page.click("#save")
    download.value.save_as(path)
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_a_mark_that_is_moved_or_taken_away_after_saving_counts_no_longer(measured, page, tmp_path):
    page.goto(listen(measured, number=6, by=(), seed=4).page.as_uri())
    page.keyboard.press("s")
    for start, end in ((0.0, 0.2), (0.1, 0.3)):
        page.locator("#mark-end").fill(str(end))
        page.locator("#mark-start").fill(str(start))
        rows = saved_by(page, "Íris Ó", tmp_path / "iris.csv")
        take_in(Corpus(measured), tmp_path / "iris.csv")
    assert [row["verdict"] for row in rows] == ["no_slide", "withdrawn", "slide"]
    standing = Corpus(measured).catalogue.frame("review").filter(verdict="slide")
    assert standing["transfer_start_s"].round(6).to_list() == [float(rows[2]["transfer_start_s"])]

    page.evaluate("localStorage.clear()")
    page.reload()
    page.set_input_files("#resume", tmp_path / "iris.csv")
    until(page, "document.getElementById('message').textContent.startsWith('1 verdicts')")
    page.locator("body").click(position={"x": 2, "y": 2})
    page.keyboard.press("n")
    assert page.locator("#strip .heard:visible, #strip .bracket:visible").count() == 0
    rows = saved_by(page, "iris-o", tmp_path / "iris.csv")
    assert [row["verdict"] for row in rows] == ["no_slide", "withdrawn", "withdrawn"]
    assert take_in(Corpus(measured), tmp_path / "iris.csv").added == {"iris-o": 1}
    left = Corpus(measured).catalogue.frame("review")
    assert left["verdict"].to_list() == ["no_slide"]
    assert set(left["listener"]) == {"iris-o"}


def test_every_excerpt_is_a_key_away_and_so_is_the_next_not_yet_judged(measured, page):
    page.goto(listen(measured, number=6, by=(), seed=2).page.as_uri())
    page.keyboard.press("n")
    page.click("text=All excerpts")
    page.locator("#list button").nth(3).press("Enter")
    assert page.inner_text("#place") == "Excerpt 4 of 6"
    page.keyboard.press("c")
    names = page.locator("#list button").evaluate_all("all => all.map(each => each.getAttribute('aria-label'))")
    assert (names[0], names[1], names[3]) == ("Excerpt 1, no slide", "Excerpt 2, not judged", "Excerpt 4, cannot tell")
    for place in (5, 6, 2, 3):
        page.keyboard.press("u")
        assert page.inner_text("#place") == f"Excerpt {place} of 6"
        page.keyboard.press("n")
    page.keyboard.press("u")
    assert "All excerpts are judged" in page.inner_text("#hint")
    assert barriers(page) == []


def test_what_the_answers_mean_is_told_in_the_words_of_the_dictionary(measured, page):
    page.goto(listen(measured, number=6, by=(), seed=2).page.as_uri())
    page.keyboard.press("?")
    for column in ("verdict", "kind"):
        buttons = page.locator(f"button[data-{column}]").all()
        told = {
            each.get_attribute(f"data-{column}"): page.inner_text(f"#{each.get_attribute('aria-describedby')}")
            for each in buttons
        }
        explained = dict(load("review").column(column).explained)
        assert told == {name: meaning for name, meaning in explained.items() if name != "withdrawn"}
