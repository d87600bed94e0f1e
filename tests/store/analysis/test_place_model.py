"""The model of places that goes out with an export: R's numbers beside the program's own."""

import io
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline import store
from pipeline.stats.places import Told, place_effect

SCRIPT = Path(store.__file__).parent / "analysis" / "place_model.R"


def test_r_gives_the_odds_ratio_within_places(tmp_path: Path) -> None:
    rscript = shutil.which("Rscript")
    if rscript is None:
        if os.environ.get("CI"):
            pytest.fail("no R; install r-base-core")
        pytest.skip("no R on this machine: install it to try the R script")
    rng = np.random.default_rng(6)
    players, places = 12, 25
    north = np.arange(players) < 6
    told = (rng.random((players, places)) < 0.7).astype(np.float64)
    slid = told * (rng.random((players, places)) < np.where(north, 0.6, 0.35)[:, None])
    weight = rng.uniform(0.9, 1.0, (players, places))
    rows = [
        {
            "written_place_id": f"air-{p}-1-1", "player_id": f"p{k}", "school_id": "north" if north[k] else "south",
            "slid": int(slid[k, p]), "weight": weight[k, p],
        }
        for k in range(players) for p in range(places) if told[k, p]
    ]  # fmt: skip
    (tmp_path / "csv").mkdir()
    pl.DataFrame(rows).write_csv(tmp_path / "csv" / "place.csv")
    run = subprocess.run([rscript, str(SCRIPT), str(tmp_path)], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    made = pl.read_csv(io.StringIO(run.stdout)).filter(model="within places").row(0, named=True)
    slid, told = slid * weight, told * weight
    groups = [Told(slid * of[:, None], told * of[:, None]) for of in (north, ~north)]
    ours = place_effect(*groups, seed=[1], replicates=4000)
    assert ours is not None
    assert made["term"] == "north over south"
    assert made["ratio"] == pytest.approx(ours.ratio.estimate, rel=1e-9)
    # Both resample, each with draws of its own.
    assert np.log(made["high"] / made["low"]) == pytest.approx(np.log(ours.ratio.high / ours.ratio.low), rel=0.08)
