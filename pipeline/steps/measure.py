"""What a transfer sounds: its tuning curve, wow and evidence for the semitone, before any decision."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.steps.base import Outcome, Step, StepInput, StepOutput


def facts(catalogue: Any, transfer_id: str) -> Mapping[str, Any]:
    """Nothing from the catalogue: what a transfer sounds does not depend on what is known of it."""
    return {}


def run(step: StepInput) -> StepOutput:
    """Measure one transfer."""
    from pipeline.signal.tuning.measure import measure_side, side_row

    transfer_id = step.unit_id
    frames = step.tables[transfer_id]["pitch_frame"].sort("transfer_time_s")
    sound = step.sound(transfer_id)
    side = measure_side(
        sound.samples,
        sample_rate_hz=sound.sample_rate_hz,
        time_s=_array(frames, "transfer_time_s"),
        f0_hz=_array(frames, "f0_hz"),
        confidence=_array(frames, "confidence"),
    )
    table = pl.DataFrame([{"transfer_id": transfer_id, **side_row(side)}], infer_schema_length=None)
    outcome: Outcome = "done" if side.curve else "cannot_tell"
    return StepOutput({transfer_id: {"tuning": table}}, {transfer_id: (outcome, side.reason)})


def _array(frames: pl.DataFrame, column: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    values = frames[column].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return np.array(values, dtype=np.float64)


STEP = Step(
    name="measure",
    version=10,
    scope="transfer",
    reads=("pitch_frame",),
    writes=("tuning",),
    facts=facts,
    run=run,
    needs_sound=True,
)
