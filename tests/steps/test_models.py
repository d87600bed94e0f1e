"""The model that goes out with an export, in R and in Python, on a simulated package of 40 players and 400 takes.

R (nlme, Pinheiro and Bates) and statsmodels are each other's outside check. R must be there in CI.
"""

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pytest

from pipeline.store import schema as schemas
from pipeline.store.analysis.slide_rate_model import fitted
from pipeline.store.formats import codebook, data_package, stata_spss
from pipeline.store.formats.data_package import PackageTable

ANALYSIS = Path(data_package.__file__).parent / "analysis"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A package with the tables that the scripts read; players differ, and so do schools."""
    rng = np.random.default_rng(1928)
    relation = schemas.load("take_for_models", "summary")
    schools = ("mill", "weir", "ford")
    effects = {"mill": 0.0, "weir": 6.0, "ford": -5.0}
    rows = []
    for player in range(40):
        school = schools[player % 3] if player < 38 else None
        level = 20 + effects.get(school, 2.0) + rng.normal(0, 4)
        for take in range(10):
            transitions = int(rng.integers(40, 300))
            judged = bool(rng.random() > 0.05)
            rate = max(level + rng.normal(0, 3), 0.5)
            slides = int(rng.binomial(transitions, min(rate / 100, 1)))
            rows.append(
                {
                    "take_id": f"t{player:02d}-{take}",
                    "player_id": f"p{player:02d}",
                    "school_id": school,
                    "judged": judged,
                    "reason": None if judged else 'not heard: "covered"',
                    "process": ("acoustic", "electrical")[take % 2],
                    "transitions": transitions if judged else None,
                    "slides": slides if judged else None,
                    "session_key": f"take:t{player:02d}-{take}",
                    "accompaniment": "none",
                    "sides": 1,
                }
            )
    frame = pl.DataFrame(rows, infer_schema_length=None)
    columns = [column.name for column in relation.columns]
    frame = relation.cast(frame)[0].select(columns)
    root = tmp_path_factory.mktemp("package")
    table = PackageTable("take", frame, relation, "csv/take.csv")
    for name in ("csv", "stata", "spss", "analysis"):
        (root / name).mkdir()
    (root / "csv" / "take.csv").write_bytes(data_package.csv_bytes(frame))
    ready = stata_spss.coded(frame, relation)
    stata_spss.write_stata(ready, root / "stata" / "take.dta")
    stata_spss.write_spss(ready, root / "spss" / "take.sav")
    (root / "codebook.csv").write_bytes(data_package.csv_bytes(codebook.rows([table])))
    for script in ANALYSIS.glob("*.*"):
        shutil.copyfile(script, root / "analysis" / script.name)
    return root


@pytest.fixture(scope="module")
def in_python(folder):
    return fitted(pd.read_csv(folder / "csv" / "take.csv")).set_index(["model", "term"])


def r_results(folder, form):
    rscript = shutil.which("Rscript")
    if rscript is None:
        if os.environ.get("CI"):
            pytest.fail("no R; install r-base-core, r-cran-nlme and r-cran-haven")
        pytest.skip("no R on this machine: install it to try the R script")
    run = subprocess.run(
        [rscript, "analysis/slide_rate_model.R", ".", form], cwd=folder, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    lines = [line.split(",") for line in run.stdout.strip().splitlines()]
    frame = pd.DataFrame(lines[1:], columns=lines[0])
    frame["estimate"] = frame["estimate"].astype(float)
    frame["standard_error"] = pd.to_numeric(frame["standard_error"], errors="coerce")
    return frame.set_index(["model", "term"])


@pytest.mark.slow
@pytest.mark.parametrize("form", ["csv", "stata", "spss"])
def test_r_and_python_agree(folder, in_python, form):
    in_r = r_results(folder, form)
    assert set(in_r.index) == set(in_python.index)
    for model, term in in_r.index:
        r, python = in_r.loc[(model, term), "estimate"], in_python.loc[(model, term), "estimate"]
        tolerance = 0.02 if term.startswith("variance") else 0.001
        assert python == pytest.approx(r, rel=tolerance), (model, term)
        if not term.startswith("variance"):
            errors = [frame.loc[(model, term), "standard_error"] for frame in (in_r, in_python)]
            assert errors[1] == pytest.approx(errors[0], rel=0.02), (model, term)


def test_python_finds_the_schools_apart(in_python):
    assert in_python.loc[("mixed", "weir"), "estimate"] > 3 * in_python.loc[("mixed", "weir"), "standard_error"]
    assert ("mixed", "unplaced") in in_python.index
