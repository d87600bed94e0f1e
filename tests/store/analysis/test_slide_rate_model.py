"""The models that go out with an export, in R and in Python: the numbers of the views, from the exported tables alone.

R's glm and t.test and statsmodels are each other's outside check. R must be there in CI.
"""

import io
import os
import runpy
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import polars as pl
import pytest

from pipeline import store
from pipeline.answers.open_corpus import open_corpus
from pipeline.store import schema as schemas
from pipeline.store.analysis.slide_rate_model import fitted
from pipeline.store.formats import codebook, data_package, stata_spss
from pipeline.store.formats.data_package import PackageTable
from tests.helpers.made_rows import corpus_folder, joined, many_players

ANALYSIS = Path(store.__file__).parent / "analysis"
TABLES = {"take": ("take_for_models", "export"), "school_share": ("school_member", "fact")}


@pytest.fixture(scope="module")
def views(tmp_path_factory):
    """Twelve players of two schools, one of whom belongs to the second by half, and the views of them."""
    half = {"school_membership": [{"player_id": "p0", "school_id": "south", "share": 0.5}]}
    made = joined(many_players(), half)
    made["school_membership"] = [
        row | ({"share": 0.5} if row["player_id"] == "p0" else {}) for row in made["school_membership"]
    ]
    with open_corpus(corpus_folder(tmp_path_factory.mktemp("corpus"), **made)) as corpus:
        return {
            name: corpus.view(name)
            for name in ("export.take_for_models", "fact.school_member", "comparison", "cohort_and_period_effect")
        }


@pytest.fixture(scope="module")
def folder(views, tmp_path_factory):
    """A package with the tables that the scripts read."""
    root = tmp_path_factory.mktemp("package")
    for name in ("csv", "stata", "spss", "analysis"):
        (root / name).mkdir()
    tables = []
    for name, (view, layer) in TABLES.items():
        frame, relation = views[f"{layer}.{view}"], schemas.load(view, layer)
        tables.append(PackageTable(name, frame, relation, f"csv/{name}.csv"))
        (root / "csv" / f"{name}.csv").write_bytes(data_package.csv_bytes(frame))
        ready = stata_spss.coded(frame, relation)
        stata_spss.write_stata(ready, root / "stata" / f"{name}.dta")
        stata_spss.write_spss(ready, root / "spss" / f"{name}.sav")
    (root / "codebook.csv").write_bytes(data_package.csv_bytes(codebook.rows(tables)))
    for script in ANALYSIS.glob("*.*"):
        shutil.copyfile(script, root / "analysis" / script.name)
    return root


@pytest.fixture(scope="module")
def in_python(folder):
    return fitted(*(pd.read_csv(folder / "csv" / f"{name}.csv") for name in TABLES)).set_index(["model", "term"])


def r_results(folder, form):
    rscript = shutil.which("Rscript")
    if rscript is None:
        if os.environ.get("CI"):
            pytest.fail("no R; install r-base-core and r-cran-haven")
        pytest.skip("no R on this machine: install it to try the R script")
    run = subprocess.run(
        [rscript, "analysis/slide_rate_model.R", ".", form], cwd=folder, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    lines = [line.split(",") for line in run.stdout.strip().splitlines()]
    frame = pd.DataFrame(lines[1:], columns=lines[0])
    return frame.astype(dict.fromkeys(["ratio", "low", "high", "p"], float)).set_index(["model", "term"])


@pytest.mark.slow
@pytest.mark.parametrize("form", ["csv", "stata", "spss"])
def test_r_and_python_agree(folder, in_python, form):
    in_r = r_results(folder, form)
    assert set(in_r.index) == set(in_python.index)
    for key in in_r.index:
        assert list(in_python.loc[key]) == pytest.approx(list(in_r.loc[key]), rel=1e-5), key


def test_the_script_prints_what_its_function_gives(folder, in_python, monkeypatch, capsys):
    script = folder / "analysis" / "slide_rate_model.py"
    monkeypatch.setattr(sys, "argv", [str(script)])  # the folder above the script's own, as a colleague starts it
    runpy.run_path(str(script), run_name="__main__")
    printed = pd.read_csv(io.StringIO(capsys.readouterr().out)).set_index(["model", "term"])
    pd.testing.assert_frame_equal(printed, in_python, rtol=1e-9)


def test_python_gives_the_numbers_of_the_views(views, in_python):
    effects = views["cohort_and_period_effect"].filter(
        (pl.col("model") == "birth and recording") & (pl.col("measure") == "slides_per_100_transitions")
    )
    assert effects.height == 2
    for row in effects.iter_rows(named=True):
        own = in_python.loc["birth and recording", row["term"]]
        assert list(own) == pytest.approx([row[n] for n in ("ratio", "ratio_low", "ratio_high", "p")], rel=1e-6)
    (row,) = (
        views["comparison"]
        .filter(
            (pl.col("grouping") == "school")
            & (pl.col("measure") == "slides_per_100_transitions")
            & (pl.col("evidence") == "between_players")
        )
        .iter_rows(named=True)
    )
    own = in_python.loc["schools", "north over south"]
    assert list(own) == pytest.approx([row[n] for n in ("ratio", "ratio_low", "ratio_high", "p")], rel=1e-6)
    # The player of both schools is in neither.
    assert row["players"] == 11
