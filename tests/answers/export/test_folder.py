"""What a colleague receives: the same values in every format, nothing that may not be shared, and a running model.

Slow: the tables come from a corpus that is measured first.
"""

import json
import shutil
import subprocess
import sys
import zipfile
from datetime import date
from pathlib import Path

import polars as pl
import pyreadstat
import pytest

from pipeline.answers.export.earlier import compare
from pipeline.answers.export.folder import export
from pipeline.errors import DataError, UsageError
from pipeline.store.formats.data_package import unguarded

pytestmark = pytest.mark.slow
TODAY = date(1990, 5, 1)
EVERY = ("csv", "parquet", "arrow", "stata", "spss", "jams", "musicxml")


@pytest.fixture(scope="module")
def done(measured_once, tmp_path_factory):
    return export(measured_once, to=EVERY, into=tmp_path_factory.mktemp("out"), today=TODAY)


def test_folder_is_dated_and_named_by_its_content(done, measured_once, tmp_path):
    again = export(measured_once, to=("csv",), into=tmp_path, today=TODAY)
    assert again.content_sha256 == done.content_sha256
    assert done.folder.name == f"1990-05-01-{done.content_sha256[:8]}"


@pytest.mark.parametrize("kind", ["csv", "parquet", "arrow", "stata", "spss"])
def test_right_after_an_export_nothing_has_changed(done, measured_once, tmp_path, kind):
    shutil.copytree(done.folder / kind, tmp_path / "earlier" / kind)  # only what a colleague has kept
    found = compare(measured_once, tmp_path / "earlier")
    assert (found.takes.height, found.dates.height, found.speeds.height, found.slides.height) == (0, 0, 0, 0)
    assert found.slides_same == pl.read_csv(done.folder / "csv" / "slide.csv").height > 0
    assert list(found.lines())[:3] == ["takes: none changed", "dates: none changed", "speeds: none changed"]


def test_private_takes_are_withheld_everywhere(done):
    assert done.withheld == {"t3": "transfer x3 is private"}
    for path in done.folder.rglob("*.csv"):
        frame = pl.read_csv(path, infer_schema=False)
        for column, value in (("take_id", "t3"), ("transfer_id", "x3"), ("side_id", "d3")):
            if column in frame.columns:
                assert value not in frame[column].to_list(), path
    assert not list(done.folder.glob("*/x3.*"))
    corpus = pl.read_csv(done.folder / "csv" / "slides_in_corpus.csv")
    take = pl.read_csv(done.folder / "csv" / "take.csv")
    assert corpus["takes"][0] == take.height == 3
    assert corpus["transitions"][0] == take["transitions"].sum()


@pytest.mark.parametrize("table", ["take", "slide", "slides_by_player"])
def test_every_format_holds_the_same_values(done, table):
    want = pl.read_parquet(done.folder / "parquet" / f"{table}.parquet")
    assert want.height > 0
    arrow = pl.read_ipc(done.folder / "arrow" / f"{table}.arrow")
    assert arrow.equals(want)
    numbers = [name for name, kind in want.schema.items() if kind.is_float()]
    csv = pl.read_csv(done.folder / "csv" / f"{table}.csv", infer_schema_length=None)
    names = pl.read_csv(done.folder / "codebook.csv").filter(pl.col("table") == table)
    short = dict(names.select("column", "short_name").iter_rows())
    dta, _ = pyreadstat.read_dta(done.folder / "stata" / f"{table}.dta", output_format="polars")
    sav, _ = pyreadstat.read_sav(done.folder / "spss" / f"{table}.sav", output_format="polars")
    for name in numbers:
        for other, column in ((csv, name), (dta, short[name]), (sav, short[name])):
            got = other[column].cast(pl.Float64)
            assert got.is_null().to_list() == want[name].is_null().to_list(), (name, column)
            assert got.drop_nulls().to_list() == pytest.approx(want[name].drop_nulls().to_list(), rel=1e-12)


def test_coded_columns_carry_their_words(done):
    want = pl.read_parquet(done.folder / "parquet" / "slide.parquet")["kind"].to_list()
    for read, path in ((pyreadstat.read_dta, "stata/slide.dta"), (pyreadstat.read_sav, "spss/slide.sav")):
        frame, about = read(done.folder / path, output_format="polars")
        words = about.variable_value_labels["kind"]
        assert [words[code] for code in frame["kind"].to_list()] == want


def test_text_survives_with_quotes_line_breaks_and_formulas(done, measured_once):
    catalogue = pl.read_csv(done.folder / "catalogue" / "take.csv", infer_schema=False)
    notes = dict(catalogue.select("take_id", "note").iter_rows())
    assert notes["m1"] == 'two\nlines, and "quotes"'
    assert len(notes["t2"]) > 2900
    works = dict(
        pl.read_csv(done.folder / "catalogue" / "work.csv", infer_schema=False).select("work_id", "title").iter_rows()
    )
    assert works["w1"] == "'=1+1"
    assert unguarded(works["w1"]) == "=1+1"
    assert '<script>alert("x")</script>' in works["w0"]
    assert "<script>alert" not in (done.folder / "codebook.html").read_text()


def test_uncertain_dates_keep_their_text_and_their_bounds(done):
    frame, _ = pyreadstat.read_dta(done.folder / "stata" / "take.dta", output_format="polars")
    row = frame.filter(pl.col("take_id") == "m1").row(0, named=True)
    assert row["recorded"] == "191X"
    assert (row["recorded_earliest"], row["recorded_latest"]) == (date(1910, 1, 1), date(1919, 12, 31))


def test_package_is_valid_for_the_reference_reader(done):
    """Reference implementation of the Data Package standard: frictionless-py."""
    code = (
        "import sys, warnings; warnings.simplefilter('ignore'); from frictionless import validate; "
        "r = validate(sys.argv[1]); print([e.message for t in r.tasks for e in t.errors], r.errors); "
        "sys.exit(0 if r.valid else 1)"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(done.folder / "datapackage.json")], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stdout + run.stderr[-500:]
    described = json.loads((done.folder / "datapackage.json").read_text())
    assert described["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    slide = next(r for r in described["resources"] if r["name"] == "slide")
    assert slide["schema"]["primaryKey"] == ["slide_id"]


def test_annotations_pass_the_jams_library(done):
    code = (
        "import sys, warnings; warnings.simplefilter('ignore'); import jams; "
        "j = jams.load(sys.argv[1], validate=True, strict=True); "
        "print(len(j.annotations.search(namespace='tag_open')[0].data))"
    )
    slides = pl.read_parquet(done.folder / "parquet" / "slide.parquet").filter(pl.col("transfer_id") == "x0").height
    run = subprocess.run(
        [sys.executable, "-c", code, str(done.folder / "jams" / "x0.jams")], capture_output=True, text=True, check=True
    )
    assert int(run.stdout) == slides > 0


def test_score_is_read_by_a_notation_library(done):
    """music21 reads the score: durations fill each bar, and each slide has two ends."""
    code = (
        "import sys, warnings; warnings.simplefilter('ignore'); from music21 import converter; "
        "s = converter.parse(sys.argv[1]); p = s.parts[0]; "
        "bars = {float(m.duration.quarterLength) for m in p.getElementsByClass('Measure')}; "
        "gliss = list(p.recurse().getElementsByClass('Glissando')); "
        "print(sorted(bars), len(list(p.recurse().notes)), len(gliss))"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(done.folder / "musicxml" / "x0.musicxml")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr[-800:]
    bars, notes, glissandos = run.stdout.strip().rsplit(" ", 2)
    assert bars == "[4.0]"
    slides = pl.read_parquet(done.folder / "parquet" / "slide.parquet").filter(pl.col("transfer_id") == "x0")
    assert int(glissandos) == slides.filter(pl.col("kind") != "into_note").height
    assert int(notes) > slides.height


def test_drawn_samples_go_out_with_the_verdicts(done):
    described = json.loads((done.folder / "datapackage.json").read_text())
    assert {"reviews/review.csv", "reviews/drawn_item.csv"} <= {r["path"] for r in described["resources"]}
    assert (done.folder / "reviews" / "drawn_item.csv").read_text(encoding="utf-8-sig").startswith("sample_id,item_id,")


def test_methods_and_citation_name_what_was_done(done):
    said = (done.folder / "methods.md").read_text()
    assert "Of 3 takes of 2 players, 3 could be judged" in said
    assert "1 take withheld" in said
    assert done.content_sha256 in (done.folder / "CITATION.txt").read_text()


def test_unknown_format_is_refused(measured_once):
    with pytest.raises(UsageError, match=r"--as xls: choose from csv"):
        export(measured_once, to=("xls",))


def test_new_corpus_from_a_package_holds_the_same_catalogue(done, measured_once, tmp_path):
    from pipeline.store.adding.merge import new_from
    from pipeline.store.corpus import Corpus

    made = new_from(tmp_path / "again", done.folder)
    old, new = Corpus(measured_once).catalogue, Corpus(made).catalogue
    for table in ("player", "work", "school", "teaching"):
        assert new.frame(table).equals(old.frame(table)), table
    assert new.frame("take").equals(old.frame("take").filter(pl.col("take_id") != "t3"))
    assert not [p for p in new.problems() if p.severity == "error"]


def test_a_package_that_was_edited_is_taken_in_as_it_is_with_a_word(done, tmp_path):
    from pipeline.store.adding.merge import new_from, plan_merge
    from pipeline.store.corpus import Corpus

    said: list[str] = []
    whole = new_from(tmp_path / "whole", done.folder, say=said.append)
    assert not said
    edited = tmp_path / "edited"
    shutil.copytree(done.folder, edited)
    player = edited / "catalogue" / "player.csv"
    name = Corpus(whole).catalogue.frame("player")["name"][0]
    player.write_bytes(player.read_bytes().replace(name.encode(), b"Wilma Thornapple"))
    made = new_from(tmp_path / "made", edited, say=said.append)
    assert "Wilma Thornapple" in Corpus(made).catalogue.frame("player")["name"].to_list()
    assert len(said) == 1
    assert said[0].startswith("Not as exported, but edited, saved anew or damaged since: catalogue/player.csv. ")
    assert said[0] in plan_merge(Corpus(whole), edited).remarks


def test_package_may_come_as_a_zip_but_not_reach_outside(done, tmp_path):
    from pipeline.store.adding.merge import new_from

    good = tmp_path / "good.zip"
    with zipfile.ZipFile(good, "w") as file:
        for path in [*sorted(done.folder.rglob("*.csv")), done.folder / "datapackage.json"]:
            file.write(path, path.relative_to(done.folder.parent))
    assert (new_from(tmp_path / "from-zip", good) / "catalogue" / "player.csv").is_file()
    evil = tmp_path / "evil.zip"
    with zipfile.ZipFile(evil, "w") as file:
        file.writestr("package/datapackage.json", "{}")
        file.writestr("package/../../escaped.csv", "x")
    with pytest.raises(DataError, match="outside"):
        new_from(tmp_path / "from-evil", evil)
    assert not (tmp_path / "escaped.csv").exists()
    assert not Path(tmp_path / "from-evil" / "catalogue").exists()


def test_merging_reports_clashes_and_overwrites_nothing(done, measured, tmp_path):
    from pipeline.store.adding.merge import merge, plan_merge
    from pipeline.store.adding.package_ids import clash_report, read_new_ids
    from pipeline.store.corpus import Corpus

    path = measured / "catalogue" / "player.csv"
    path.write_text(path.read_text().replace("Ada Quill", "Ada Quillon"), encoding="utf-8")
    before = {p.name: p.read_bytes() for p in (measured / "catalogue").glob("*.csv")}
    planned = plan_merge(Corpus(measured), done.folder)
    assert [(c.table, c.id, c.proposed) for c in planned.clashes] == [("player", "ada", "ada-2")]
    assert str(planned.clashes[0]) == "player ada: name here Ada Quillon, there Ada Quill"
    with pytest.raises(DataError, match="ada-2"):
        merge(Corpus(measured), done.folder, mapping={})
    assert {p.name: p.read_bytes() for p in (measured / "catalogue").glob("*.csv")} == before
    mapping = tmp_path / "new-ids.csv"
    mapping.write_text("\n".join(clash_report(planned.clashes)) + "\n")
    merge(Corpus(measured), done.folder, mapping=read_new_ids(mapping))
    names = dict(Corpus(measured).catalogue.frame("player").select("player_id", "name").iter_rows())
    assert names["ada"] == "Ada Quillon"
    assert names["ada-2"] == "Ada Quill"
