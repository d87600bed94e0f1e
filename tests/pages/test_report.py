"""Pages opened from disk in a real browser: nothing fails, nothing is fetched, everything can be reached.

In CI the browser must be there; elsewhere these tests are left out with a word where it is not.
"""

import csv
import os
import re
import shutil
import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright
from scipy.special import logit

from pipeline.answers.listening.error_rates import listening_results
from pipeline.answers.open_corpus import query
from pipeline.pages.listen import listen
from pipeline.pages.report import report
from pipeline.pages.results import results_page
from pipeline.stats.detection import Judgements, true_slides_per_find, worth
from pipeline.store.adding.reviews import take_in
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only
from tests.helpers.measured_corpus import NASTY, measure

pytestmark = pytest.mark.slow

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
QUIET = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium; install the package chromium")
        pytest.skip("no Chromium on this machine: install it to try the pages")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield running
        running.close()


@pytest.fixture(scope="module")
def built(measured_once, tmp_path_factory):
    root = Path(shutil.copytree(measured_once, tmp_path_factory.mktemp("report") / "corpus"))
    return root, report(root, workers=1)


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport={"width": 1200, "height": 900}, accept_downloads=True)
    opened = context.new_page()
    opened.problems = []
    opened.fetched = []
    opened.on("console", lambda m: opened.problems.append(m.text) if m.type in ("error", "warning") else None)
    opened.on("pageerror", lambda error: opened.problems.append(str(error)))
    opened.on(
        "request", lambda r: None if r.url.startswith(("file:", "data:", "blob:")) else opened.fetched.append(r.url)
    )
    yield opened
    context.close()


def until(page, condition, *, seconds=40):
    """Wait for a condition; the page's own policy forbids the library's way of waiting."""
    deadline = time.monotonic() + seconds
    while not page.evaluate(condition):
        assert time.monotonic() < deadline, f"never came true: {condition}"
        page.wait_for_timeout(50)


def barriers(page):
    """Serious and critical findings of axe-core (Deque Systems), rules of WCAG 2, on the page that is open."""
    found = Axe().run(page).response["violations"]
    return [(v["id"], v["nodes"][0]["html"][:120]) for v in found if v["impact"] in ("serious", "critical")]


def test_all_sides_have_pages_and_a_second_build_draws_none(built):
    root, done = built
    assert done.failed == ()
    assert sorted(done.made) == ["x0", "x1", "x2", "x3"]
    again = report(root, workers=1)
    assert again.made == ()
    assert sorted(again.kept) == ["x0", "x1", "x2", "x3"]


def test_a_damaged_note_of_the_last_build_draws_all_again(built):
    root, _ = built
    note = root / "derived" / "report" / "made.json"
    for damage in ("", "[1", '{"x0": "abc"}'):
        note.write_text(damage)
        assert sorted(report(root, workers=1).made) == ["x0", "x1", "x2", "x3"]


def test_a_side_taken_out_takes_its_page_along_and_no_other(built, tmp_path):
    root = Path(shutil.copytree(built[0], tmp_path / "corpus"))
    pages = root / "derived" / "report"
    for kept in ("sound/x11.flac", "sound/x11-slow.flac"):
        (pages / kept).write_bytes(b"another side's")
    path = root / "catalogue" / "transfer.csv"
    path.write_text("".join(line for line in path.read_text().splitlines(keepends=True) if not line.startswith("x1,")))
    report(root, workers=1)
    assert not (pages / "side" / "x1.html").exists()
    assert sorted(p.name for p in (pages / "sound").glob("x1*")) == ["x11-slow.flac", "x11.flac"]


def test_a_mended_name_draws_only_the_pages_that_show_it(built):
    root, _ = built
    path = root / "catalogue" / "player.csv"
    path.write_text(path.read_text().replace("Bo Fernwood", "Bo Fernwode"))
    assert set(report(root, workers=1).made) >= {"x2", "x3"}
    assert "Bo Fernwode" in (root / "derived" / "report" / "side" / "x2.html").read_text()


def test_overview_and_side_load_from_disk_without_errors_or_requests(built, page):
    root, done = built
    for path in (done.overview, root / "derived" / "report" / "side" / "x0.html"):
        page.goto(path.as_uri())
        page.wait_for_load_state("load")
        assert page.title()
    assert page.problems == []
    assert page.fetched == []


def test_catalogue_text_cannot_run(built, page):
    root, _ = built
    ran = []
    page.on("dialog", lambda dialog: (ran.append(dialog.message), dialog.dismiss()))
    page.goto((root / "derived" / "report" / "side" / "x0.html").as_uri())
    assert NASTY in page.inner_text("h1")
    assert ran == []


@pytest.mark.parametrize("name", ["index.html", "side/x0.html"])
def test_pages_pass_the_accessibility_check(built, page, name):
    root, _ = built
    page.goto((root / "derived" / "report" / name).as_uri())
    assert barriers(page) == []


def test_sound_of_a_slide_plays_and_stops(built, page):
    root, _ = built
    name = next(
        p.stem for p in sorted((root / "derived" / "report" / "side").glob("*.html")) if "slide-card" in p.read_text()
    )
    page.goto((root / "derived" / "report" / "side" / f"{name}.html").as_uri())
    for kind, player in (("full", "sound"), ("slow", "slow-sound")):
        button = page.locator(f"button[data-play={kind}]").first
        start, end = (float(button.get_attribute(f"data-{which}")) for which in ("from", "to"))
        button.click()
        until(page, f"document.getElementById('{player}').currentTime > {start + 0.05}")
        until(page, f"document.getElementById('{player}').paused")
        stopped = page.evaluate(f"document.getElementById('{player}').currentTime")
        assert abs(stopped - end) < 0.6
    assert page.problems == []


def test_a_click_in_the_picture_plays_the_note_there_and_one_cursor_follows(built, page):
    root, _ = built
    page.goto((root / "derived" / "report" / "side" / "x0.html").as_uri())
    until(page, "document.getElementById('sound').readyState > 0")
    cues = page.evaluate("JSON.parse(document.getElementById('cues').textContent)")
    start_s, end_s, y = next(note for note in cues["notes"] if note[0] > 1.0)
    page.check("input[name=speed][value='0.5']")
    where = """([x, y]) => { const svg = document.querySelector('.row svg'); svg.scrollIntoView({block: 'center'});
        const to = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM()); return [to.x, to.y]; }"""
    x, y = page.evaluate(where, [(0.3 * start_s + 0.7 * end_s) * cues["per_s"], y])
    page.mouse.click(x, y)
    until(page, f"document.getElementById('sound').currentTime > {start_s + 0.05}")
    assert page.evaluate("document.getElementById('sound').playbackRate") == 0.5
    drawn = "Number(document.querySelector('.row .cursor[visibility=visible]').getAttribute('x1'))"
    assert start_s * cues["per_s"] <= page.evaluate(drawn) < cues["row_s"] * cues["per_s"]
    page.keyboard.press("Escape")
    assert page.evaluate("document.getElementById('sound').paused")

    page.locator(".row").first.focus()
    page.evaluate("document.getElementById('sound').currentTime = 0")
    page.keyboard.press("ArrowRight")
    until(page, f"document.getElementById('sound').currentTime >= {cues['notes'][0][0]}")
    page.keyboard.press("Space")
    assert page.evaluate("document.getElementById('sound').paused")
    assert page.problems == []


def test_there_is_a_way_from_every_dot_and_name_to_the_sides_behind_it(built, page):
    root, done = built
    page.goto(done.overview.as_uri())
    player = page.locator("#players svg a").first
    assert player.get_attribute("aria-label") == "Sides: Ada Quill"
    player.click()
    until(page, "document.getElementById('find').value === 'Ada Quill'")
    shown = page.locator("#sides tbody tr:visible")
    assert sorted(shown.locator("td:first-child").all_inner_texts()) == ["x0", "x1"]
    page.fill("#find", "träumerei")
    assert shown.count() == 1
    page.fill("#find", "no such side")
    assert (shown.count(), page.inner_text("#found")) == (0, "0 of 4 transfers")
    dots = page.locator("#years svg a").evaluate_all("links => links.map(link => link.getAttribute('href'))")
    assert dots
    assert all((root / "derived" / "report" / way).is_file() for way in dots)


def test_what_goes_on_to_the_right_says_so_on_a_phone(built, page):
    _, done = built
    page.set_viewport_size({"width": 390, "height": 800})
    page.goto(done.overview.as_uri())
    page.evaluate("document.querySelector('#players').scrollIntoView()")
    until(page, "document.querySelector('#players .more')?.style.visibility === 'visible'")
    page.evaluate("(box => box.scrollLeft = box.scrollWidth)(document.querySelector('#players .scroll'))")
    until(page, "document.querySelector('#players .more').style.visibility === 'hidden'")
    assert page.evaluate("document.querySelector('#players .scroll').scrollLeft") > 0


def test_a_least_certainty_is_chosen_on_the_page_and_counts_as_the_command_does(measured, page):
    file = measured / "catalogue" / "performance.csv"
    file.write_text(file.read_text().replace("m1,ada,violin,soloist,certain", "m1,ada,violin,soloist,possible"))
    measure(measured)
    page.goto(report(measured, workers=1).overview.as_uri())
    row = "#players .level:not([hidden]) tbody tr"
    assert page.inner_text(f"{row} th >> nth=0") == "Ada Quill, 1 of 2 takes doubtful"
    assert "1 take is of a player named as possible" in page.inner_text("#holds")
    page.check("input[name=least][value=certain]")
    assert page.inner_text(f"{row} th >> nth=0") == "Ada Quill"
    told = page.inner_text(f"{row} >> nth=0").split()
    certain = query(measured, "slides_by_player", min_certainty="certain").row(0, named=True)
    assert (certain["player"], told[2]) == ("Ada Quill", "1")
    assert told[5] == f"{certain['slides']:.0f}"
    assert "attribution possible" in (measured / "derived" / "report" / "side" / "x1.html").read_text()
    assert barriers(page) == []


def test_pages_are_readable_without_scripts_and_on_a_phone(built, browser):
    root, done = built
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 800})
    page = context.new_page()
    page.goto((root / "derived" / "report" / "side" / "x0.html").as_uri())
    assert page.locator(".row svg").count() >= 1
    assert page.locator("dl.facts").is_visible()
    page.goto(done.overview.as_uri())
    assert page.locator("#speeds tbody tr").count() == 4
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    context.close()
    assert (root / "derived" / "report" / "side" / "x0.html").stat().st_size < 3_000_000


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
    assert {row["listener"] for row in rows} == {"ed"}
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
    heard = {}
    for number, item in enumerate(items):
        heard[item["item_id"]] = item["drawn_from"] == "slide" and number % 9 > 0
        page.keyboard.press("s" if heard[item["item_id"]] else "n")
        page.keyboard.press("ArrowRight")
        if number == 20:
            early = within_words(page)
            assert "reached" not in page.inner_text("#known")
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
    assert within_words(page) == pytest.approx(np.sqrt(high / low) - 1, rel=0.1)
    assert within_words(page) < early
    assert "reached: you may save" in page.inner_text("#known")


def within_words(page):
    """How closely slides per find are known, as the page says it."""
    return float(re.search(r"within about (\d+) %", page.inner_text("#known"))[1]) / 100


def test_nothing_is_pressed_on_paper(built, page):
    root, _ = built
    page.emulate_media(media="print")
    page.goto((root / "derived" / "report" / "side" / "x0.html").as_uri())
    assert page.locator("button:visible, audio:visible, nav:visible").count() == 0
    assert page.locator(".row svg:visible").count() >= 1


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
    page.fill("#listener", "flo")
    with page.expect_download() as download:
        page.click("#save")
    saved = tmp_path / "flo.csv"
    download.value.save_as(saved)
    with saved.open(newline="") as file:
        drawn, missed = csv.DictReader(file)
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
    page.fill("#listener", "ida")
    with page.expect_download() as download:
        page.click("#save")
    saved = tmp_path / "ida.csv"
    download.value.save_as(saved)
    with saved.open(newline="") as file:
        asked, beside, unmarked = csv.DictReader(file)
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
