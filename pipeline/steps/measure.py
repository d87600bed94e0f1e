"""What a transfer sounds: its tuning curve, wow and evidence for the semitone, before any decision."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.counted import counted
from pipeline.settings import MeasureSettings
from pipeline.steps.base import Outcome, Step, StepInput, StepOutput
from pipeline.steps.heard import line_of, why_no_solo
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue

if TYPE_CHECKING:
    from pipeline.signal.tuning.measure import MeasuredSide


def facts(catalogue: Catalogue, transfer_id: str) -> Mapping[str, Any]:
    """Nothing from the catalogue: what a transfer sounds does not depend on what is known of it."""
    return {}


def run(given: StepInput[MeasureSettings]) -> StepOutput:
    """Measure one transfer."""
    from pipeline.signal.line.solo_parts import where_solo
    from pipeline.signal.tuning.measure import measure_side, side_row

    transfer_id = given.unit_id
    sound = given.sound(transfer_id)
    frames = given.tables[transfer_id]["pitch_frame"]
    line = line_of(frames)
    spans = where_solo(line, length_s=sound.samples.size / sound.sample_rate_hz)
    spoken = np.zeros(line.time_s.size, dtype=np.bool_)
    for span in spans:
        if span.content == "speech":
            spoken |= (line.time_s >= span.start_s) & (line.time_s < span.end_s)
    no_solo = why_no_solo(spans)
    side = measure_side(
        sound.samples,
        sample_rate_hz=sound.sample_rate_hz,
        time_s=line.time_s,
        f0_hz=line.f0_hz,
        confidence=np.where(spoken, 0.0, line.confidence),
        with_solo=not no_solo,
        bowed_beside=bool(frames["solo_probability"].is_not_null().any()),
    )
    reason = no_solo or rests_on(side)
    table = pl.DataFrame([{"transfer_id": transfer_id, "reason": reason, **side_row(side)}], infer_schema_length=None)
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
    return StepOutput({transfer_id: tables}, {transfer_id: (outcome, reason)})


def rests_on(side: "MeasuredSide") -> str:
    """What a tuning rests on, or why none is stated, in words."""
    from pipeline.signal.tuning import measure as m

    # Whether somebody accompanies is the catalogue's to say: of a soloist alone they are of notes that ring on.
    tones = f"{counted(side.solo_tones, 'steady note')}, {counted(side.accompaniment_tones, 'other steady partial')}"
    match side.doubt:
        case None:
            return tones
        case m.TooLong(length_s):
            return (
                f"the transfer lasts {length_s / 60.0:.0f} minutes, and a tuning is fitted to one side, of "
                f"{m.MOST_LENGTH_S / 60.0:.0f} minutes at most: give each side a transfer of its own with file_start_s "
                "and file_end_s"
            )
        case m.TooLittle(count, steady_s):
            needed = f"{m.LEAST_TONES} tones and {m.LEAST_STEADY_S:.0f} s are needed"
            return f"{count} steady tones lasting {steady_s:.1f} s; {needed}"
        case m.AtOdds(se):
            return f"{tones}, too much at odds: tuning known to {se:.0f} cents only"
        case m.Wanders(drift):
            wander = f"would wander by {drift:.0f} cents along the side, as no turntable's does"
            return f"{tones}, but their tuning {wander}"
        case m.Crowded(share):
            return (
                f"no solo can be told: for {100 * share:.0f} % of the time two and more other tones are held as loud "
                "as the line, as a band or an organ holds them; if they are other bowed players', name these in the "
                "catalogue"
            )
        case m.OffScale(share):
            needed = f"(concentration {share:.2f}; {m.LEAST_IN_TUNE:g} is needed)"
            return f"{tones}, but they lie on no common scale of semitones {needed}"


STEP = Step(
    name="measure",
    version=21,
    scope="transfer",
    reads=("pitch_frame",),
    writes=("tuning", "repeated_groove"),
    facts=facts,
    run=run,
    needs_sound=True,
)
