"""The models of places that go out with an export: R beside the program's own numbers, and beside another package."""

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
PLAYERS, PLACES = 16, 60


@pytest.mark.slow
def test_r_gives_the_odds_ratio_within_places_and_the_mixed_model(tmp_path: Path) -> None:
    """The mixed model against glmmTMB 1.1.5 in R 4.2.2 on the same rows; lme4 1.1-31 gives 1.8546 (.8690 to 3.9580)."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        if os.environ.get("CI"):
            pytest.fail("no R; install r-base-core")
        pytest.skip("no R on this machine: install it to try the R script")
    rng = np.random.default_rng(16)
    place, player = rng.normal(0.0, 1.2, PLACES), rng.normal(0.0, 0.6, PLAYERS)
    told, slid = np.zeros((2, PLAYERS, PLACES))
    rows = []
    for k in range(PLAYERS):
        for p in range(PLACES):
            if rng.random() < 0.6:
                chance = 1.0 / (1.0 + np.exp(0.8 - place[p] - player[k] - 0.8 * (k < PLAYERS // 2)))
                row = {
                    "written_place_id": f"air-{p}-1-1", "player_id": f"p{k}",
                    "school_id": "north" if k < PLAYERS // 2 else "south", "slid": int(rng.random() < chance),
                    "weight": rng.uniform(0.9, 1.0),
                }  # fmt: skip
                told[k, p], slid[k, p] = row["weight"], row["weight"] * row["slid"]
                rows.append(row)
    (tmp_path / "csv").mkdir()
    pl.DataFrame(rows).write_csv(tmp_path / "csv" / "place.csv")
    run = subprocess.run([rscript, str(SCRIPT), str(tmp_path)], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    made = {row["model"]: row for row in pl.read_csv(io.StringIO(run.stdout)).iter_rows(named=True)}
    assert {row["term"] for row in made.values()} == {"north over south"}

    north = np.arange(PLAYERS) < PLAYERS // 2
    groups = [Told(slid * of[:, None], told * of[:, None]) for of in (north, ~north)]
    ours, within = place_effect(*groups, seed=[1], replicates=4000), made["within places"]
    assert ours is not None
    assert within["ratio"] == pytest.approx(ours.ratio.estimate, rel=1e-9)
    # Both resample, each with draws of its own.
    assert np.log(within["high"] / within["low"]) == pytest.approx(np.log(ours.ratio.high / ours.ratio.low), rel=0.08)

    mixed = [made["mixed"][name] for name in ("ratio", "low", "high", "p")]
    assert mixed == pytest.approx([1.85525648, 0.86696526, 3.97014363, 0.11133619], rel=2e-4)
