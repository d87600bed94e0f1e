"""The step ``follow``: the solo line of one transfer, in its own time and pitch."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.settings import FollowSettings
from pipeline.steps.base import Outcome, Step, StepInput, StepOutput
from pipeline.steps.detect.solo_spans import instrument, second_player, solo_facts
from pipeline.steps.heard import why_no_solo
from pipeline.steps.match.written import part_of, part_rows
from pipeline.store.catalogue.recording import takes_on
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.catalogue.written import reference

if TYPE_CHECKING:
    from pipeline.signal.line.follow import MelodyLine

SURE = 0.5
# With less than this share of sure frames there is nothing to find notes in.
LEAST_SURE_SHARE = 0.02


def facts(catalogue: Catalogue, transfer_id: str) -> Mapping[str, Any]:
    """The solo instrument, if all takes on the transfer's side name the same; and the bowed player beside it.

    With that player goes what is written for the soloist, as ``part_rows`` gives it, where the side has one work.
    """
    solo = solo_facts(catalogue, transfer_id)
    second = second_player(solo)
    if second and (part := _solo_part(catalogue, transfer_id)):
        second |= {"part": part}
    return {"instrument": instrument(solo), "second": second}


def _solo_part(catalogue: Catalogue, transfer_id: str) -> dict[str, Any] | None:
    """The reference edition of the one work on a side; none that was grown from takes, which may be the other's."""
    takes = takes_on(catalogue, catalogue.one("transfer", transfer_id)["side_id"])
    works = {take["work_id"] for take in takes}
    work_id = works.pop() if len(works) == 1 else None
    printed = [part for part in catalogue.rows("written_part", work_id=work_id) if not part["grown"]] if work_id else []
    edition = reference(printed)
    rows = part_rows(catalogue, work_id, edition) if work_id and edition else None
    return rows if rows and rows["notes"] else None


def run(given: StepInput[FollowSettings]) -> StepOutput:
    """Follow one transfer."""
    from pipeline.signal.line.follow import follow
    from pipeline.signal.line.solo_parts import where_solo
    from pipeline.signal.voices.two_lines import two_lines

    transfer_id = given.unit_id
    sound = given.sound(transfer_id)
    played = {
        "sample_rate_hz": sound.sample_rate_hz,
        "instrument": given.facts["instrument"],
        "scoring": given.settings.scoring,
    }
    second = given.facts["second"]
    part = part_of(**second["part"])[0] if second and "part" in second else None
    both = second and two_lines(
        sound.samples,
        other_instrument=second["instrument"],
        said=[(a, b) for a, b in second["said"]],
        part=part,
        others=second["number"],
        **played,
    )
    line = both.solo if both else follow(sound.samples, **played)
    length_s = sound.samples.size / sound.sample_rate_hz
    no_solo = why_no_solo(where_solo(line, length_s=length_s))
    estimated = "not_told" if no_solo else "estimated"
    sure_share = float(np.mean(line.confidence > SURE)) if line.time_s.size else None
    row = {
        "transfer_id": transfer_id,
        "instrument": line.instrument,
        "instrument_source": estimated if line.instrument_estimated else "catalogue",
        "scoring": given.settings.scoring,
        "length_s": length_s,
        "line_share": float(np.mean(np.isfinite(line.f0_hz))) if line.time_s.size else None,
        "sure_share": sure_share,
    }
    sure = pl.Series(both.sure if both else [None] * line.time_s.size, dtype=pl.Float64)
    tables = {
        "pitch_frame": _frames(line, transfer_id).with_columns(solo_probability=sure),
        "other_frame": _frames(both.other, transfer_id) if both else _frames(line, transfer_id).clear(),
        "melody": pl.DataFrame([row]),
    }
    outcome: Outcome = "done" if sure_share is not None and sure_share >= LEAST_SURE_SHARE else "cannot_tell"
    said = f"{line.instrument}" + (", estimated from its range" if line.instrument_estimated else "")
    if outcome == "cannot_tell":
        said = "no solo line can be followed"
    elif no_solo:
        outcome, said = "cannot_tell", no_solo
    return StepOutput({transfer_id: tables}, {transfer_id: (outcome, said)})


def _frames(line: MelodyLine, transfer_id: str) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "transfer_id": pl.Series([transfer_id], dtype=pl.String).new_from_index(0, line.time_s.size),
            "transfer_time_s": line.time_s,
            "f0_hz": line.f0_hz,
            "voiced_probability": line.voiced_probability,
            "confidence": line.confidence,
            "level_db": line.level_db,
            "prominence_db": line.prominence_db,
            "sound_db": line.sound_db,
            "gliding": line.gliding,
        },
        nan_to_null=True,
    )


STEP = Step(
    name="follow",
    version=23,
    scope="transfer",
    reads=(),
    writes=("pitch_frame", "other_frame", "melody"),
    facts=facts,
    run=run,
    needs_sound=True,
)
