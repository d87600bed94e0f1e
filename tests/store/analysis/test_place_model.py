"""The models of places that go out with an export: R beside the program's own numbers, and beside another package."""

import io
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline import store
from pipeline.stats.places import Told, place_effect

SCRIPT = Path(store.__file__).parent / "analysis" / "place_model.R"
PLAYERS, PLACES = 16, 60
NORTH = np.arange(PLAYERS) < PLAYERS // 2


def world(folder: Path, *, seed: int, intercept: float, spread: tuple[float, float]) -> tuple[Told, Told]:
    """Two schools at the same places, as the table that the script reads and as sums by player and place.

    ``spread`` is the standard deviation of places and of players on the logit; the north slides more, by .8.
    """
    rng = np.random.default_rng(seed)
    place, player = rng.normal(0.0, spread[0], PLACES), rng.normal(0.0, spread[1], PLAYERS)
    told, slid = np.zeros((2, PLAYERS, PLACES))
    rows = []
    for k in range(PLAYERS):
        for p in range(PLACES):
            if rng.random() < 0.6:
                chance = 1.0 / (1.0 + np.exp(intercept - place[p] - player[k] - 0.8 * NORTH[k]))
                row = {
                    "written_place_id": f"air-{p}-1-1", "player_id": f"p{k}",
                    "school_id": "north" if NORTH[k] else "south", "slid": int(rng.random() < chance),
                    "weight": rng.uniform(0.9, 1.0),
                }  # fmt: skip
                told[k, p], slid[k, p] = row["weight"], row["weight"] * row["slid"]
                rows.append(row)
    (folder / "csv").mkdir()
    pl.DataFrame(rows).write_csv(folder / "csv" / "place.csv")
    north, south = (Told(slid * of[:, None], told * of[:, None]) for of in (NORTH, ~NORTH))
    return north, south


def by_r(folder: Path) -> dict[str, dict[str, Any]]:
    """What the script prints, by model."""
    rscript = shutil.which("Rscript")
    if rscript is None:
        if os.environ.get("CI"):
            pytest.fail("no R; install r-base-core")
        pytest.skip("no R on this machine: install it to try the R script")
    run = subprocess.run([rscript, str(SCRIPT), str(folder)], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    made = {row["model"]: row for row in pl.read_csv(io.StringIO(run.stdout)).iter_rows(named=True)}
    assert {row["term"] for row in made.values()} == {"north over south"}
    return made


def mixed(made: dict[str, dict[str, Any]]) -> list[float]:
    return [made["mixed"][name] for name in ("ratio", "low", "high", "p")]


@pytest.mark.slow
def test_r_gives_the_odds_ratio_within_places_and_the_mixed_model(tmp_path: Path) -> None:
    """The mixed model against glmmTMB 1.1.5 in R 4.2.2 on the same rows; lme4 1.1-31 gives 1.8546 (.8690 to 3.9580)."""
    groups = world(tmp_path, seed=16, intercept=0.8, spread=(1.2, 0.6))
    made = by_r(tmp_path)
    ours, within = place_effect(*groups, seed=[1], replicates=4000), made["within places"]
    assert ours is not None
    assert within["ratio"] == pytest.approx(ours.ratio.estimate, rel=1e-9)
    # Both resample, each with draws of its own.
    assert np.log(within["high"] / within["low"]) == pytest.approx(np.log(ours.ratio.high / ours.ratio.low), rel=0.08)
    assert "another question than the view's" in made["mixed"]["remark"]
    assert mixed(made) == pytest.approx([1.85525648, 0.86696526, 3.97014363, 0.11133619], rel=2e-4)


@pytest.mark.slow
def test_r_finds_the_mixed_model_where_places_alone_nearly_tell_who_slides(tmp_path: Path) -> None:
    """Against glmmTMB 1.1.5 in R 4.2.2 on the same rows, with a spread of places of 10: far from the top, whole steps
    of Newton's method lead away from it."""
    world(tmp_path, seed=3, intercept=6.0, spread=(9.0, 1.0))
    made = by_r(tmp_path)
    assert mixed(made) == pytest.approx([1.04629057, 0.39607562, 2.76392659, 0.92725289], rel=2e-4)
    assert "places all slid or none did, so that the ratio grows without end" in made["mixed"]["remark"]
