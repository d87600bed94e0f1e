"""The step ``detect``: notes, transitions and slides of the solo passages of one transfer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.counted import counted as number_of
from pipeline.kinds import KINDS, STROKES
from pipeline.settings import DetectSettings
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.steps.base import Outcome, Step, StepInput, StepOutput
from pipeline.steps.detect.solo_spans import (
    REPEATED,
    RINGING,
    SoloSpan,
    evidence_in,
    not_counted,
    solo_facts,
    solo_spans,
    with_measured,
    without_repeats,
)
from pipeline.steps.detect.voices import SURE, UNSURE, Sureness, glide_rows, with_other_heard
from pipeline.steps.heard import Heard, Line, line_of
from pipeline.store import schema
from pipeline.units import ms_of_s

if TYPE_CHECKING:
    from pipeline.signal.slides.detect import Detection
    from pipeline.signal.slides.measures import Slide


def _run(given: StepInput[DetectSettings]) -> StepOutput:
    from pipeline.signal.line.solo_parts import where_solo
    from pipeline.signal.slides.detect import find_notes_and_slides

    settings = given.settings
    transfer_id = given.unit_id
    tables = given.tables[transfer_id]
    line = line_of(tables["pitch_frame"])
    speed = tables["speed"].row(0, named=True)
    curve = tables["speed_curve"].sort("transfer_time_s")
    speed_map = SpeedMap(curve["transfer_time_s"].to_numpy(), curve["correction_cents"].to_numpy())
    melody = tables["melody"].row(0, named=True)
    length_s = float(melody["length_s"])
    sureness = Sureness.of(tables["pitch_frame"])
    other = line_of(tables["other_frame"])
    measured = list(where_solo(line, length_s=length_s))
    if sureness is not None:
        measured = with_other_heard(measured, other)
    spans = with_measured(solo_spans(given.facts, length_s=length_s), measured)
    repeated = tables["repeated_groove"].select("transfer_start_s", "transfer_end_s").sort("transfer_start_s")
    spans = without_repeats(spans, repeated.rows())
    flags = [f"speed_{speed['state']}"] if speed["state"] in ("ambiguous", "unmeasurable") else []

    def found_in(line: Line, spans: Iterable[SoloSpan]) -> Detection:
        return find_notes_and_slides(
            line,
            speed_map=speed_map,
            reference_pitch_hz=speed["reference_pitch_hz"],
            spans=[(s.start_s, s.end_s) for s in spans],
            acceptance=settings.acceptance,
            least_confidence=settings.least_confidence,
        )

    rows: dict[str, list[dict[str, Any]]] = {"note": [], "transition": [], "slide": [], "other_glide": []}
    slides: dict[str, Slide] = {}
    ringing: list[tuple[float, float]] = []
    solo = sorted((s for s in spans if s.content == "solo"), key=lambda s: (s.take_id or "", not s.counted, s.start_s))
    for (take_id, counted), group in groupby(solo, key=lambda s: (s.take_id, s.counted)):
        found = found_in(line, group)
        own = {"transfer_id": transfer_id, "take_id": take_id}
        _append(rows, found, own=own, counted=counted, flags=flags, sureness=sureness)
        slides |= {_slide_id(slide, transfer_id): slide for slide in found.slides}
        ringing += found.ringing
    if sureness is not None:
        given_to = [s for s in spans if s.take_id is not None and s.content in ("solo", "accompaniment_only")]
        glides = glide_rows(
            found_in(other, given_to),
            slides,
            lines=(line, other),
            sureness=sureness,
            speed_map=speed_map,
            reference_pitch_hz=speed["reference_pitch_hz"],
        )
        rows["other_glide"] = [_named(glide, spans, transfer_id) for glide in glides]
        spans = not_counted(spans, sureness.unsure(slides.values()), reason=UNSURE)
    spans = not_counted(spans, sorted(ringing), reason=RINGING)
    frames = {name: pl.DataFrame(rows[name], schema=_polars(name), orient="row") for name in rows}
    frames["solo_span"] = _span_frame(spans, measured, transfer_id=transfer_id, speed_map=speed_map)
    return StepOutput({transfer_id: frames}, {transfer_id: _outcome(rows, spans)})


def _outcome(rows: Mapping[str, Sequence[Mapping[str, Any]]], spans: Sequence[SoloSpan]) -> tuple[Outcome, str]:
    """How it went, in words: what was found, and how much of the solo is left out for which reason."""
    if not any(span.counted for span in spans):
        return "cannot_tell", "; ".join(sorted({span.reason for span in spans if span.reason})) or "no sound"
    chances = number_of(sum(row["exposure"] for row in rows["transition"]), "transition")
    said = f"{number_of(len(rows['slide']), 'slide')} in {chances}, before chords and listeners are heard"
    for reason in (REPEATED, UNSURE, RINGING):
        left_s = sum(span.end_s - span.start_s for span in spans if span.reason == reason)
        said += f"; {left_s:.1f} s left out, where {reason}" if left_s else ""
    return "done", said


def _polars(name: str) -> Any:
    return schema.load(name).polars_schema()


def _append(
    rows: dict[str, list[dict[str, Any]]],
    found: Detection,
    *,
    own: dict[str, str | None],
    counted: bool,
    flags: list[str],
    sureness: Sureness | None,
) -> None:
    transfer_id = own["transfer_id"]
    ids = [f"{transfer_id}-n{_ms(note.transfer_start_s)}" for note in found.notes]
    rows["note"] += [{"note_id": i, **own, **vars(n)} for i, n in zip(ids, found.notes, strict=True)]
    for pair in found.transitions:
        before, after = found.notes[pair.from_note], found.notes[pair.to_note]
        solo = sureness.of_change(before.transfer_end_s, after.transfer_start_s) if sureness else None
        rows["transition"].append(
            {
                "transition_id": f"{transfer_id}-t{_ms(after.transfer_start_s)}",
                **own,
                "from_note_id": ids[pair.from_note],
                "to_note_id": ids[pair.to_note],
                "interval_cents": pair.interval_cents,
                "gap_ms": pair.gap_ms,
                "slurred_probability": pair.slurred_probability,
                "exposure": pair.exposure and counted and (solo is None or solo >= SURE),
                "slide_score": pair.slide_score,
            }
        )
    for slide in found.slides:
        solo = sureness.of_slide(slide) if sureness else None
        rows["slide"].append({**own, **_slide_row(slide, ids, flags), "solo_probability": solo})
        rows["slide"][-1]["slide_id"] = _slide_id(slide, transfer_id)


def _slide_id(slide: Slide, transfer_id: str | None) -> str:
    return f"{transfer_id}-s{_ms(slide.transfer_audible_start_s)}"


def _named(glide: Mapping[str, Any], spans: Sequence[SoloSpan], transfer_id: str) -> dict[str, Any]:
    """A row of ``other_glide`` with its ids."""
    middle = 0.5 * (glide["transfer_start_s"] + glide["transfer_end_s"])
    take_id = next((s.take_id for s in spans if s.start_s <= middle < s.end_s), None)
    glide_id = f"{transfer_id}-o{_ms(glide['transfer_start_s'])}" + ("s" if glide["slide_id"] else "")
    return {"glide_id": glide_id, "transfer_id": transfer_id, "take_id": take_id, **glide}


def _slide_row(slide: Slide, ids: list[str], flags: list[str]) -> Mapping[str, Any]:
    row = dict(vars(slide))
    row["from_note_id"] = None if slide.from_note is None else ids[slide.from_note]
    row["to_note_id"] = ids[slide.to_note]
    row |= {f"p_{kind}": p for kind, p in zip(KINDS, slide.kinds, strict=True)}
    row |= {f"p_stroke_{name}": p for name, p in zip(STROKES, slide.strokes, strict=True)}
    row["flags"] = [*slide.flags, *flags]
    for name in ("from_note", "to_note", "kinds", "strokes"):
        del row[name]
    return row


def _span_frame(
    spans: list[SoloSpan], measured: Sequence[Heard], *, transfer_id: str, speed_map: SpeedMap
) -> pl.DataFrame:
    rows = [
        {
            "transfer_id": transfer_id,
            "take_id": span.take_id,
            "player_id": span.player_id,
            "transfer_start_s": span.start_s,
            "transfer_end_s": span.end_s,
            "start_s": float(speed_map.to_true_s(span.start_s)),
            "end_s": float(speed_map.to_true_s(span.end_s)),
            "content": span.content,
            "source": span.source,
            "counted": span.counted,
            "reason": span.reason,
            **evidence_in(measured, span.start_s, span.end_s),
        }
        for span in spans
        if span.end_s > span.start_s
    ]
    return pl.DataFrame(rows, schema=_polars("solo_span"), orient="row")


def _ms(seconds: float) -> int:
    return max(round(float(ms_of_s(seconds))), 0)


STEP = Step(
    name="detect",
    version=21,
    scope="transfer",
    reads=("pitch_frame", "other_frame", "melody", "speed", "speed_curve", "repeated_groove"),
    writes=("note", "transition", "slide", "other_glide", "solo_span"),
    facts=solo_facts,
    run=_run,
)
