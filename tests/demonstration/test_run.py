"""The demo from start to finish: the end-to-end test of everything.

Bounds are those that were set for the product. What it does beyond them is held by what the README shows of it.
"""

import io
import re
import shlex
import shutil
from contextlib import redirect_stderr, redirect_stdout

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.answers import written_parts
from pipeline.answers.listening.error_rates import listening_results
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.passages.gather import gather
from pipeline.cli import app
from pipeline.demonstration.run import SCHOOLS, demo
from pipeline.demonstration.story import place_effect
from pipeline.engine.up_to_date import note_path
from pipeline.errors import DataError
from pipeline.flows.run import run
from pipeline.pages.listen import listen
from pipeline.store.corpus import Corpus
from tests.documented import ROOT, demo_in_readme, examples, shown_of_demo

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The demo's result, and what it prints."""
    with redirect_stdout(io.StringIO()) as printed, redirect_stderr(io.StringIO()):
        made = demo(tmp_path_factory.mktemp("demo") / "corpus", workers=2)
    return made, printed.getvalue()


@pytest.fixture(scope="module")
def result(whole):
    return whole[0]


def test_readme_shows_what_is_printed(whole):
    cure = "save what `glideline demo` prints, then: python tests/documented.py FILE"
    assert demo_in_readme() == shown_of_demo(whole[1]), cure


@pytest.mark.parametrize("line", [line for line in examples() if " glideline-demo" in line])
def test_examples_on_the_demo_run(result, line):
    words = shlex.split(line.replace("glideline-demo", shlex.quote(str(result.folder))))[1:]
    said = CliRunner().invoke(app, words)
    assert said.exit_code == 0, said.output
    assert said.output.strip()


def test_readme_python_runs(result, monkeypatch, capsys):
    (code,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.DOTALL)
    monkeypatch.chdir(result.folder.parent)
    exec(code.replace('"glideline-demo"', repr(str(result.folder))), {})
    assert "slides_per_minute" in capsys.readouterr().out


def test_slides_are_found_and_named(result):
    slides = result.slides
    assert slides.planted > 150
    assert slides.precision >= 0.95
    assert slides.recall >= 0.85
    assert slides.kinds_right / slides.right >= 0.88
    assert slides.onset_ms < 15
    assert slides.offset_ms < 10
    assert slides.interval_cents < 12


def test_speeds_are_those_that_were_planted(result):
    speeds = result.speeds
    assert speeds.height == 19
    modulo = speeds["error_modulo_semitone_cents"].abs().to_numpy()
    assert np.median(modulo) < 2.0
    assert modulo.max() < 5.0
    whole = speeds.filter(pl.col("state") == "estimated")["error_cents"].abs().to_numpy()
    assert whole.size >= 12
    assert np.mean(whole < 5.0) >= 0.85


def test_chords_of_a_violin_alone_are_found(result):
    chords = result.chords.chords
    assert sum(each.notes_found for each in chords) >= 0.9 * sum(len(each.planted) for each in chords)
    assert sum(each.notes_besides for each in chords) + result.chords.besides <= 1
    broken = [each.chord["breaking"] for each in chords if each.planted[-1]["later_ms"] > 0]
    assert broken == ["from_below"] * 2


def test_a_late_open_string_speaks_against_the_print(result):
    """Planted: the note in the middle of a chord is late, so it is the open string and not the print's."""
    late = next(each for each in result.chords.chords if each.planted[1]["later_ms"] == 130)
    assert late.chord["bow_rule"] == "broken"
    assert late.notes[1]["sounds_later"] == "yes"
    assert [(way["string"], way["finger"]) for way in late.way] == [("G", 2), ("A", 0), ("D", 3)]
    with OpenCorpus(result.folder) as corpus:
        printed = corpus.view("base.chord_fingering_match")
        (counts,) = corpus.view("summary.fingering_against_edition", where="work_id = 'three-bells'").rows(named=True)
    assert set(printed.filter(chord_id=late.chord["chord_id"])["verdict"]) == {"differ"}
    assert (counts["printed_chords"], counts["chords_differ"]) == (8, 1)
    assert counts["chords_agree"] >= 3


def test_a_second_players_slides_are_listed_and_not_counted(result):
    duet = result.duet
    assert duet.own_counted >= 0.8 * duet.own > 3
    assert duet.others_listed >= 0.6 * duet.others > 3
    assert duet.others_counted == 0


def test_the_side_without_evidence_is_called_ambiguous(result):
    state = dict(result.speeds.select("transfer_id", "state").rows())
    assert state["owl-e4402-a-t1"] == "ambiguous"


def test_the_story_comes_out(result):
    rates = {}
    for row in result.lineage:
        rates.setdefault(row["ancestor_id"], []).append(row["slides_per_100_transitions"])
    thinning, staying = rates["quillfeather"], rates["brackwhistle"]
    assert len(thinning) == len(staying) == 3
    assert thinning[0] > thinning[1] > 2 * thinning[2]
    assert min(staying) > 0.6 * max(staying)


def test_the_broken_file_fails_alone(result):
    assert [transfer_id for transfer_id, _ in result.failures] == ["owl-e3555-a-t1"]
    assert "nettlebright-1931.flac" in result.failures[0][1]


def test_a_second_run_has_nothing_to_do(result):
    note_path(result.folder / "derived").unlink(missing_ok=True)  # every key is worked out
    assert run(result.folder, workers=1).nothing_to_do


def test_report_and_database_are_there(result):
    assert (result.folder / "derived" / "corpus.duckdb").is_file()
    assert list((result.folder / "derived" / "report").rglob("*.html"))


def test_repertoire_misleads_and_the_same_places_do_not(result):
    """Planted: one school slides at several times the odds of the other at the same place, and plays other works."""
    with OpenCorpus(result.folder) as corpus:
        effect = place_effect(corpus, school=SCHOOLS[0])
        fits = corpus.view("base.written_fit")
    assert result.planted_odds_ratio > 3
    assert effect["unmatched_odds_ratio"] < 1 < effect["odds_ratio"]
    assert set(fits["state"]) == {"placed"}
    shifts = dict(fits.select("take_id", "shift_semitones").rows())
    assert shifts.pop("brackwhistle-1908") == 2
    assert set(shifts.values()) == {0}


def test_a_passage_is_shown_side_by_side(result):
    """A scholar's question: who slides in these bars, and from whose fingers?"""
    said = CliRunner().invoke(app, ["passage", str(result.folder), "romance-in-f", "--bars", "5-8", "--by", "school"])
    assert said.exit_code == 0, said.output
    for take in ("larkspindle-1911-1", "nettlebright-1928", "tindlemere-1938"):
        assert take in said.stdout
    assert "At the " in said.stdout
    assert sum(line.startswith(("Mossgate school", "Saltmarrow school")) for line in said.stdout.splitlines()) >= 2
    works = CliRunner().invoke(app, ["passage", str(result.folder), "--as", "csv"]).stdout
    assert "air-in-d,Air in D,3,3,3," in works
    student = CliRunner().invoke(app, ["passage", str(result.folder), "air-in-d", "--player", "larkspindle"])
    assert "student of Orrin Quillfeather" in " ".join(student.stdout.split())
    report = result.folder / "derived" / "report"
    page = (report / "passage" / "romance-in-f.html").read_text(encoding="utf-8")
    assert page.count('class="take"') >= 3
    assert page.count('class="keyAccid"') >= 1  # F major
    assert 'id="editions"' in page
    assert re.search(
        r'href="\.\./passage/romance-in-f\.html">Bar \d+', (report / "side" / "owl-1410-a-t1.html").read_text()
    )
    with OpenCorpus(result.folder) as corpus:
        slides = corpus.sql("select slide_id, written_place_id from fact.written_place_take where outcome = 'slid'")
        followed = gather(corpus, "air-in-d").followed
    assert {(row["edition"], row["state"]) for row in followed} == {
        *(("Peerwick 1898", "told"), ("Quillfeather 1905", "told")),
    }
    traced = CliRunner().invoke(app, ["trace", str(result.folder), slides["slide_id"][0]])
    assert re.search(r"written: bar \d+, beat [\d.]+ of ", traced.stdout)


def test_takes_that_leave_something_out_do_not_reach_it(result):
    with OpenCorpus(result.folder) as corpus:
        cut = gather(corpus, "romance-in-f", bars="10-13")
        repeated = gather(corpus, "romance-in-f", bars="2-6")
        without = gather(corpus, "lantern-dance", bars="2-6")
    assert cut.passed_by == ["tindlemere-1938"]
    assert {t.take_id for t in repeated.takes if t.time_through == 2} == {t.take_id for t in repeated.takes}
    assert {t.take_id for t in without.takes if t.time_through == 2} == {"doveturn-1926", "tindlemere-1929"}


@pytest.fixture(scope="module")
def copied(result, tmp_path_factory):
    """A copy of the demo without pages, to be written to."""
    folder = tmp_path_factory.mktemp("copied") / "demo"
    shutil.copytree(result.folder, folder, ignore=shutil.ignore_patterns("report"))
    return folder


def test_a_part_is_grown_where_there_is_no_score(copied):
    part = written_parts.grow(copied, "romance-in-f")
    kept = Corpus(copied).catalogue.rows("written_part", work_id="romance-in-f")
    assert [(row["edition"], row["grown"], bool(row["is_reference"])) for row in kept] == [
        *(("Peerwick 1899", None, True), ("grown from takes", True, False)),
    ]
    written = {row["midi"] for row in Corpus(copied).catalogue.rows("written_note", edition="Peerwick 1899")}
    assert len(part.notes) > 60
    assert {note.midi for note in part.notes} <= written
    with pytest.raises(DataError, match="'grown from takes' of romance-in-f is already in"):
        written_parts.grow(copied, "romance-in-f")


def test_one_place_is_judged_across_takes(result, copied):
    folder = copied
    with OpenCorpus(result.folder) as corpus:
        place = corpus.view("fact.written_place", where="work_id = 'romance-in-f' and bar = '5'").row(0, named=True)
        takes = corpus.view("fact.written_place_take", where=f"written_place_id = '{place['written_place_id']}'")
    sample = listen(folder, place=f"romance-in-f:5:{place['beat']:g}")
    assert sample.numbers["stretch"] == 0
    assert 2 <= sum(sample.numbers.values()) <= takes.height
    drawn = Corpus(folder).catalogue.frame("drawn_item").to_dicts()
    verdicts = (
        "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id,item_id\n"
    )
    for row in drawn:
        span = f"{row['transfer_id']},{row['samples_sha256']},{row['transfer_start_s']},{row['transfer_end_s']}"
        verdicts += f"{span},no_slide,,ina,2026-01-05,{sample.sample_id},{row['item_id']}\n"
    (folder / "reviews" / "ina.csv").write_text(verdicts, encoding="utf-8")
    with pytest.raises(DataError, match="no drawn item has been judged"):  # chosen places are no random sample
        listening_results(folder)
