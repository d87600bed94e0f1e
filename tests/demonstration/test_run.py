"""The demo from start to finish: the end-to-end test of everything.

Bounds are those that were set for the product. What it does beyond them is held by what the README shows of it.
"""

import io
import re
import shlex
from contextlib import redirect_stderr, redirect_stdout

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.demonstration.run import demo
from pipeline.flows.run import run
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
    assert slides.planted > 200
    assert slides.precision >= 0.95
    assert slides.recall >= 0.85
    assert slides.kinds_right / slides.right >= 0.88
    assert slides.onset_ms < 15
    assert slides.offset_ms < 10
    assert slides.interval_cents < 12


def test_speeds_are_those_that_were_planted(result):
    speeds = result.speeds
    assert speeds.height == 17
    modulo = speeds["error_modulo_semitone_cents"].abs().to_numpy()
    assert np.median(modulo) < 2.0
    assert modulo.max() < 5.0
    whole = speeds.filter(pl.col("state") == "estimated")["error_cents"].abs().to_numpy()
    assert whole.size >= 12
    assert np.mean(whole < 5.0) >= 0.85


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
    assert run(result.folder, workers=1).nothing_to_do


def test_report_and_database_are_there(result):
    assert (result.folder / "derived" / "corpus.duckdb").is_file()
    assert list((result.folder / "derived" / "report").rglob("*.html"))
