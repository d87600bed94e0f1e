"""Real violin and cello notes go down the whole road: without a fault, kept as solo, and with their pitches.

The sound and its licence: ``README.md`` beside this file.
"""

import csv
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from pipeline.store.audio.whole_sound import read_sound
from tests.helpers.all_steps import road

HERE = Path(__file__).parent
INSTRUMENTS = ("violin", "cello")


@pytest.fixture(scope="module", params=INSTRUMENTS)
def played(request: pytest.FixtureRequest) -> tuple[str, Any, dict[str, pl.DataFrame], dict[str, tuple[str, str]]]:
    heard = read_sound(HERE / f"{request.param}.ogg", channel_rule="measured_lateral")
    return request.param, heard, *road(heard.samples, heard.sample_rate_hz, instrument=request.param)


def listed(name: str) -> npt.NDArray[np.float64]:
    with (HERE / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return np.array([[float(value) for value in row.values()] for row in csv.DictReader(file)])


def test_every_step_measures_it(played: Any) -> None:
    _, _, _, outcomes = played
    assert len(outcomes) >= 6
    # Planting slides needs more changes of note than some seconds hold, and may say so.
    assert {step: outcome for step, (outcome, _) in outcomes.items() if outcome != "done"}.keys() <= {"recover"}


def test_joined_detached_and_quick_notes_are_solo(played: Any) -> None:
    name, _, tables, _ = played
    first, last = listed(name)[0, 0], listed(name)[-1, 1]
    counted = tables["solo_span"].filter("counted").select("transfer_start_s", "transfer_end_s").rows()
    kept = sum(max(0.0, min(end, last) - max(start, first)) for start, end in counted)
    assert kept > 0.95 * (last - first)


def test_the_line_meets_the_notes(played: Any) -> None:
    name, _, tables, _ = played
    notes = listed(name)
    frames = tables["pitch_frame"].drop_nulls("f0_hz")
    time_s, hz = frames["transfer_time_s"].to_numpy(), frames["f0_hz"].to_numpy().astype(np.float64)
    middle = hz[np.clip(np.searchsorted(time_s, notes[:, :2].mean(axis=1)), 0, hz.size - 1)]
    off = 1200.0 * np.log2(middle / 440.0) - 100.0 * (notes[:, 2] - 69.0)
    # Each note has its own intonation; 50 cents are the usual tolerance of transcription (mir_eval).
    assert np.mean(np.abs(off) < 50.0) > 0.95


def test_no_slide_is_claimed_where_none_was_played(played: Any) -> None:
    _, _, tables, _ = played
    assert tables["slide"].height <= 1


def test_read_two_per_cent_fast_it_is_34_cents_sharp(played: Any) -> None:
    name, heard, tables, _ = played
    fast, _ = road(heard.samples, round(1.02 * heard.sample_rate_hz), instrument=name)
    sharper = fast["tuning"]["sharp_cents"][0] - tables["tuning"]["sharp_cents"][0]
    assert sharper % 100.0 == pytest.approx(1200.0 * np.log2(1.02), abs=1.0)
