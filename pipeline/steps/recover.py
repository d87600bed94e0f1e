"""The step ``recover``: slides planted in a transfer's own sound, and which of them were found."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.settings import RecoverSettings
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.steps.detect.solo_spans import RINGING
from pipeline.steps.heard import line_of
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue
from pipeline.units import ms_of_s

if TYPE_CHECKING:
    from pipeline.signal.recovery.partials import Samples
    from pipeline.signal.recovery.search import Recovered
    from pipeline.signal.slides.detect import Detection

NOT_DRAWN = "not drawn: slides are planted in a sample of sides alone (share_of_sides in settings.toml)"


def facts(catalogue: Catalogue, transfer_id: str) -> Mapping[str, Any]:
    """Nothing from the catalogue: whose solo is looked at stands in the spans."""
    return {}


def run(given: StepInput[RecoverSettings]) -> StepOutput:
    """Plant slides in the counted solo of one transfer and look for them; no rows where it is not in the sample."""
    from pipeline.signal.line.follow import follow
    from pipeline.signal.recovery.search import recover
    from pipeline.signal.slides.detect import find_notes_and_slides

    settings = given.settings
    transfer_id = given.unit_id
    tables = given.tables[transfer_id]
    number = zlib.crc32(transfer_id.encode())
    # What rings is told anew, so that no note is cut where it does.
    spans = tables["solo_span"].filter(pl.col("counted") | (pl.col("reason") == RINGING))
    empty = pl.DataFrame(schema=schema.load("recovery").polars_schema())
    if not number < settings.share_of_sides * 2**32:
        return _given(transfer_id, empty, "done", NOT_DRAWN)
    if spans.is_empty():
        return _given(transfer_id, empty, "cannot_tell", "no solo is counted")
    if tables["pitch_frame"]["solo_probability"].is_not_null().any():
        return _given(transfer_id, empty, "cannot_tell", "another bowed player sounds too")
    speed, melody = tables["speed"].row(0, named=True), tables["melody"].row(0, named=True)
    curve = tables["speed_curve"].sort("transfer_time_s")
    speed_map = SpeedMap(curve["transfer_time_s"].to_numpy(), curve["correction_cents"].to_numpy())
    sound = given.sound(transfer_id)
    line = line_of(tables["pitch_frame"])
    rows: list[dict[str, Any]] = []
    takes = spans.sort("take_id", "transfer_start_s").partition_by("take_id", maintain_order=True)
    lengths = [float((take["transfer_end_s"] - take["transfer_start_s"]).sum()) for take in takes]
    for take, length in zip(takes, lengths, strict=True):

        def detected(of: Any, take: pl.DataFrame = take) -> Detection:
            return find_notes_and_slides(
                of,
                speed_map=speed_map,
                reference_pitch_hz=speed["reference_pitch_hz"],
                spans=list(zip(take["transfer_start_s"], take["transfer_end_s"], strict=True)),
                acceptance=settings.detect.acceptance,
                least_confidence=settings.detect.least_confidence,
            )

        def looked(samples: Samples, detected: Callable[[Any], Detection] = detected) -> Detection:
            rate, scoring = sound.sample_rate_hz, melody["scoring"]
            return detected(follow(samples, sample_rate_hz=rate, instrument=melody["instrument"], scoring=scoring))

        found = recover(
            sound.samples,
            sample_rate_hz=float(sound.sample_rate_hz),
            line=line,
            detection=detected(line),
            chords=list(tables["chord"].select("transfer_start_s", "transfer_end_s").iter_rows()),
            plantings=max(1, round(settings.plantings * length / sum(lengths))),
            rng=np.random.default_rng([number, len(rows)]),
            look=looked,
        )
        rows += [_row(one, transfer_id, take["take_id"][0], speed_map) for one in found]
    frame = pl.DataFrame(rows, schema=empty.schema, orient="row")
    heard = sum(row["found"] for row in rows)
    if not rows:
        return _given(transfer_id, frame, "cannot_tell", "no change of note on which a slide could be planted")
    return _given(transfer_id, frame, "done", f"{heard} of {len(rows)} planted slides found")


def _given(transfer_id: str, frame: pl.DataFrame, outcome: Any, said: str) -> StepOutput:
    return StepOutput({transfer_id: {"recovery": frame}}, {transfer_id: (outcome, said)})


def _row(one: Recovered, transfer_id: str, take_id: str | None, speed_map: SpeedMap) -> dict[str, Any]:
    slide, found = one.slide, one.found
    start, end = (float(speed_map.to_true_s(t)) for t in (slide.start_s, slide.end_s))
    return {
        "recovery_id": f"{transfer_id}-r{round(ms_of_s(slide.start_s))}",
        "transfer_id": transfer_id,
        "take_id": take_id,
        "transfer_start_s": slide.start_s,
        "transfer_end_s": slide.end_s,
        "duration_ms": ms_of_s(end - start),
        "interval_cents": 100.0 * (slide.to_midi - slide.from_midi),
        "kind": slide.kind,
        "fall_db": one.fall_db,
        "found": found is not None,
        "found_kind": None if found is None else found.kind,
        "found_duration_ms": None if found is None else found.duration_ms,
        "confidence": None if found is None else found.confidence,
    }


STEP = Step(
    name="recover",
    version=7,
    scope="transfer",
    reads=("pitch_frame", "melody", "speed", "speed_curve", "solo_span", "chord"),
    writes=("recovery",),
    facts=facts,
    run=run,
    needs_sound=True,
)
