"""The step follow: facts from the catalogue, tables that fit their schemas."""

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.settings import FollowSettings
from pipeline.steps.base import Sound, StepInput
from pipeline.steps.follow import STEP
from pipeline.store import schema

RATE = 16000


def given(samples: np.ndarray[Any, Any], *, instrument: str | None) -> StepInput:
    return StepInput(
        unit_id="t-1",
        facts={"instrument": instrument, "second": None},
        settings=FollowSettings(),
        tables={},
        sound=lambda _: Sound(samples.astype(np.float32), RATE),
    )


def tone(hz: float, length_s: float) -> np.ndarray[Any, Any]:
    t = np.arange(round(length_s * RATE)) / RATE
    wave = 2 * np.pi * hz * t + 0.03 * hz / 6 * np.sin(2 * np.pi * 6 * t)
    return sum(np.sin(h * wave) / h for h in range(1, 12)) * 0.1


def test_tables_fit_their_schemas() -> None:
    out = STEP.run(given(tone(440.0, 3.0), instrument="violin"))
    tables = out.tables["t-1"]
    assert set(tables) == set(STEP.writes)
    for name, frame in tables.items():
        checked = schema.load(name).checked(frame)
        assert checked.height == frame.height
        assert frame.is_empty() == (name == "other_frame")
    frames = tables["pitch_frame"]
    assert frames["f0_hz"].median() == pytest.approx(440.0, rel=1e-3)
    assert frames["transfer_time_s"].is_sorted()
    assert tables["melody"]["instrument_source"].to_list() == ["catalogue"]
    assert out.outcomes["t-1"][0] == "done"


def test_beside_a_second_player_each_has_a_line() -> None:
    loud, soft = tone(880.0, 3.0), tone(330.0, 3.0) / 4.0
    asked = given(loud + soft, instrument="violin")
    out = STEP.run(
        replace(asked, facts={"instrument": "violin", "second": {"number": 1, "instrument": None, "said": []}})
    )
    solo, other = (schema.load(n).checked(out.tables["t-1"][n]) for n in ("pitch_frame", "other_frame"))
    assert solo["f0_hz"].median() == pytest.approx(880.0, rel=1e-3)
    assert other["f0_hz"].median() == pytest.approx(330.0, rel=1e-3)
    assert solo["transfer_time_s"].to_list() == other["transfer_time_s"].to_list()
    assert solo["solo_probability"].median() > 0.9


def test_estimated_instrument_is_stated() -> None:
    out = STEP.run(given(tone(440.0, 3.0), instrument=None))
    row = out.tables["t-1"]["melody"].row(0, named=True)
    assert row["instrument"] == "violin"
    assert row["instrument_source"] == "estimated"
    assert "estimated" in out.outcomes["t-1"][1]


def test_of_speech_no_instrument_is_stated() -> None:
    rng = np.random.default_rng(11)
    parts = []
    while sum(part.size for part in parts) < 12 * RATE:
        n = int(rng.uniform(0.2, 0.5) * RATE)
        way = rng.uniform(0, 9) + rng.choice((-1, 1)) * rng.uniform(8, 20) * np.arange(n) / RATE
        phase = 2 * np.pi * np.cumsum(180.0 * 2 ** (way / 12)) / RATE
        parts += [0.1 * sum(np.sin(h * phase) / h for h in range(1, 15)) * np.hanning(n), np.zeros(int(0.1 * RATE))]
    out = STEP.run(given(np.concatenate(parts), instrument=None))
    outcome, said = out.outcomes["t-1"]
    assert out.tables["t-1"]["melody"]["instrument_source"].to_list() == ["not_told"]
    assert outcome == "cannot_tell"
    assert "solo" in said


@pytest.mark.parametrize("samples", [np.zeros(3 * RATE), np.zeros(0)])
def test_without_a_line_the_outcome_says_so(samples: np.ndarray[Any, Any]) -> None:
    out = STEP.run(given(samples, instrument="violin"))
    assert out.outcomes["t-1"][0] == "cannot_tell"
    frames = schema.load("pitch_frame").checked(out.tables["t-1"]["pitch_frame"])
    assert frames["f0_hz"].null_count() == frames.height


class _Catalogue:
    """The few rows that the facts need."""

    tables: dict[str, list[dict[str, Any]]]

    def __init__(self, instruments: list[tuple[str, str | None, str | None]]) -> None:
        self.tables = {
            "transfer": [{"transfer_id": "t-1", "side_id": "s-1"}],
            "side_take": [
                {"side_id": "s-1", "take_id": t, "position": None} for t in sorted({i[0] for i in instruments})
            ],
            "take": [
                {"take_id": t, "work_id": f"work-{t}", "accompaniment": None}
                for t in sorted({i[0] for i in instruments})
            ],
            "passage": [],
            "written_part": [],
            "performance": [
                {"take_id": t, "player_id": "anna", "instrument": i, "role": r, "certainty": "certain"}
                for t, i, r in instruments
            ],
        }

    def row(self, table: str, key: str) -> dict[str, Any] | None:
        return next((r for r in self.tables[table] if r[f"{table}_id"] == key), None)

    def one(self, table: str, key: str) -> dict[str, Any]:
        return next(r for r in self.tables[table] if r[f"{table}_id"] == key)

    def rows(self, table: str, **where: Any) -> list[dict[str, Any]]:
        return [r for r in self.tables[table] if all(r[k] == v for k, v in where.items())]


def test_instrument_is_the_soloists_if_all_agree() -> None:
    cases = [
        ([("a", "cello", "soloist"), ("a", "piano", "accompanist")], "cello", None),
        ([("a", "violin", None)], "violin", None),
        ([("a", "violin", None), ("b", "cello", None)], None, None),
        ([("a", None, None)], None, None),
        (
            [("a", "viola", "ensemble"), ("a", "cello", "ensemble"), ("a", "violin", "soloist")],
            "violin",
            {"number": 2, "instrument": None, "said": []},
        ),
        ([("a", "viola", None), ("a", "violin", "soloist")], None, None),
    ]
    for rows, expected, second in cases:
        assert STEP.facts(_Catalogue(rows), "t-1") == {"instrument": expected, "second": second}


def test_beside_a_second_player_what_is_written_for_the_soloist_goes_along_unless_it_was_grown() -> None:
    catalogue = _Catalogue([("a", "viola", "ensemble"), ("a", "violin", "soloist")])
    named = {"work_id": "work-a", "is_reference": None}
    note = dict.fromkeys(("bar_index", "beat", "beats", "onset", "grace")) | {"event": 1, "midi": 69.0}
    catalogue.tables |= {
        "written_part": [named | {"edition": "1898", "grown": None}, named | {"edition": "1", "grown": True}],
        "written_note": [named | note | {"edition": edition} for edition in ("1", "1898")],
        "written_way": [],
    }
    assert STEP.facts(catalogue, "t-1")["second"]["part"] == {"notes": [note], "ways": []}
    catalogue.tables["written_part"].pop(0)
    assert "part" not in STEP.facts(catalogue, "t-1")["second"]


def test_pitch_frame_is_nulls_not_nans() -> None:
    frame = STEP.run(given(np.zeros(RATE), instrument="cello")).tables["t-1"]["pitch_frame"]
    assert frame.select(pl.col("f0_hz").is_nan().sum()).item() == 0
