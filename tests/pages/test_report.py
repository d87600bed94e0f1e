"""Pages opened from disk in a real browser: nothing fails, nothing is fetched, everything can be reached."""

import shutil
from pathlib import Path

import pytest

from pipeline.answers.open_corpus import query
from pipeline.pages.report import report
from pipeline.store.database.report_notice import BEFORE_THE_RUN, tell_pages
from tests.helpers.browser import barriers, until
from tests.helpers.measured_corpus import NASTY, measure

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def built(measured_once, tmp_path_factory):
    root = Path(shutil.copytree(measured_once, tmp_path_factory.mktemp("report") / "corpus"))
    return root, report(root, workers=1)


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


def test_pages_that_are_out_of_date_say_so_at_their_top(built, page):
    root, _ = built
    shown = "getComputedStyle(document.body, '::before').content"
    for words in (BEFORE_THE_RUN, ""):
        tell_pages(root, words)
        for name in ("index.html", "side/x0.html"):
            page.goto((root / "derived" / "report" / name).as_uri())
            assert page.evaluate(shown) == (f'"{words}"' if words else "none")
    assert page.problems == []


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


def test_nothing_is_pressed_on_paper(built, page):
    root, _ = built
    page.emulate_media(media="print")
    page.goto((root / "derived" / "report" / "side" / "x0.html").as_uri())
    assert page.locator("button:visible, audio:visible, nav:visible").count() == 0
    assert page.locator(".row svg:visible").count() >= 1
