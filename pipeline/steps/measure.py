"""What a transfer sounds: its tuning curve, wow and evidence for the semitone, before any decision."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.settings import MeasureSettings
from pipeline.steps.base import Outcome, Step, StepInput, StepOutput
from pipeline.steps.heard import line_of, why_no_solo
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue


def facts(catalogue: Catalogue, transfer_id: str) -> Mapping[str, Any]:
    """Nothing from the catalogue: what a transfer sounds does not depend on what is known of it."""
    return {}


def run(given: StepInput[MeasureSettings]) -> StepOutput:
    """Measure one transfer."""
    from pipeline.signal.line.solo_parts import where_solo
    from pipeline.signal.tuning.measure import measure_side, side_row

    transfer_id = given.unit_id
    sound = given.sound(transfer_id)
    line = line_of(given.tables[transfer_id]["pitch_frame"])
    spans = where_solo(line, length_s=sound.samples.size / sound.sample_rate_hz)
    spoken = np.zeros(line.time_s.size, dtype=np.bool_)
    for span in spans:
        if span.content == "speech":
            spoken |= (line.time_s >= span.start_s) & (line.time_s < span.end_s)
    side = measure_side(
        sound.samples,
        sample_rate_hz=sound.sample_rate_hz,
        time_s=line.time_s,
        f0_hz=line.f0_hz,
        confidence=np.where(spoken, 0.0, line.confidence),
        why_not=why_no_solo(spans),
    )
    table = pl.DataFrame([{"transfer_id": transfer_id, **side_row(side)}], infer_schema_length=None)
    repeats = [
        {
            "transfer_id": transfer_id,
            "transfer_start_s": repeat.start_s,
            "transfer_end_s": repeat.end_s,
            "lag_s": repeat.lag_s,
            "turns": repeat.turns,
            "agreement": repeat.agreement,
        }
        for repeat in side.repeats
    ]
    tables = {
        "tuning": table,
        "repeated_groove": pl.DataFrame(repeats, schema=schema.load("repeated_groove").polars_schema()),
    }
    outcome: Outcome = "done" if side.curve else "cannot_tell"
    return StepOutput({transfer_id: tables}, {transfer_id: (outcome, side.reason)})


STEP = Step(
    name="measure",
    version=14,
    scope="transfer",
    reads=("pitch_frame",),
    writes=("tuning", "repeated_groove"),
    facts=facts,
    run=run,
    needs_sound=True,
)
