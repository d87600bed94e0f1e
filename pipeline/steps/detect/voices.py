"""Beside another bowed player: what is surely the soloist's, what is not, and what the other glides."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.steps.heard import Line
from pipeline.units import Floats, midi_of_hz, ratio_of_cents

if TYPE_CHECKING:
    from pipeline.signal.line.solo_parts import SoloSpan as SoloSpanHeard
    from pipeline.signal.slides.detect import Detection
    from pipeline.signal.slides.measures import Slide

SURE = 0.9
"""Least probability with which a slide, or a moment, is the soloist's if it counts."""
WIDE_S = 0.5
"""Moments are judged together: how sure one is of half a second (common practice, no source)."""
HEARD = 0.5  # mean confidence from which the other is taken to play (common practice, no source)
NEAR_S = 0.1  # what is heard of both notes of a change (common practice, no source)
UNSURE = "two bowed lines sound, and which is the soloist's cannot be told; the soloist's written part or passages help"


@dataclass(frozen=True)
class Sureness:
    """How sure it is that the followed line is the soloist's: ``sure`` (n,) at ``time_s``; nothing where one plays."""

    time_s: Floats
    sure: Floats

    @classmethod
    def of(cls, frames: pl.DataFrame) -> "Sureness | None":
        """That of a table ``pitch_frame``; None where no second bowed player is known."""
        known = frames.sort("transfer_time_s").drop_nulls("solo_probability")
        if known.is_empty():
            return None
        return cls(known["transfer_time_s"].to_numpy(), known["solo_probability"].to_numpy())

    def between(self, start_s: float, end_s: float) -> float:
        """Mean between two moments."""
        first = min(int(np.searchsorted(self.time_s, start_s)), self.time_s.size - 1)
        return float(self.sure[first : max(int(np.searchsorted(self.time_s, end_s)), first + 1)].mean())

    def of_slide(self, slide: "Slide") -> float:
        """Over what is heard of a slide."""
        return self.between(slide.transfer_audible_start_s, slide.transfer_audible_end_s)

    def of_change(self, end_s: float, start_s: float) -> float:
        """Around a change from a note that ends to one that starts."""
        return self.between(end_s - NEAR_S, start_s + NEAR_S)

    def unsure(self, slides: Iterable["Slide"]) -> list[tuple[float, float]]:
        """What does not count, as starts and ends: half seconds and slides that are not surely the soloist's."""
        edges = np.arange(0.0, self.time_s[-1] + WIDE_S, WIDE_S)
        spans = [(a, a + WIDE_S) for a in edges.tolist() if self.between(a, a + WIDE_S) < SURE]
        spans += [
            (slide.transfer_audible_start_s, slide.transfer_audible_end_s)
            for slide in slides
            if self.of_slide(slide) < SURE
        ]
        joined: list[tuple[float, float]] = []
        for start, end in sorted(spans):
            if joined and start <= joined[-1][1]:
                joined[-1] = joined[-1][0], max(joined[-1][1], end)
            else:
                joined.append((start, end))
        return joined


def with_other_heard(measured: Sequence["SoloSpanHeard"], other: Line) -> list["SoloSpanHeard"]:
    """What was measured of the solo alone, with rests of the soloist in which the other plays as such."""
    found = []
    for span in measured:
        inside = other.confidence[(other.time_s >= span.start_s) & (other.time_s < span.end_s)]
        plays = span.content == "not_music" and inside.size > 0 and float(inside.mean()) > HEARD
        found.append(replace(span, content="accompaniment_only") if plays else span)
    return found


def glide_rows(
    other: "Detection",
    found: Mapping[str, "Slide"],
    *,
    lines: tuple[Line, Line],
    sureness: Sureness,
    speed_map: SpeedMap,
    reference_pitch_hz: float,
) -> list[dict[str, Any]]:
    """Rows of ``other_glide``: glides of the other's line, and those of the slides ``found`` that may be the other's.

    ``lines`` are the soloist's and the other's.
    """
    rows = []
    for slide in other.slides:
        sure = sureness.of_slide(slide)
        rows.append(_row(slide, *lines) | {"solo_probability": 1.0 - sure, "slide_id": None})
        rows[-1]["voice"] = "second" if sure >= SURE else "cannot_tell"
    for slide_id, slide in found.items():
        if (sure := sureness.of_slide(slide)) < SURE:
            row = _row(slide, *lines[::-1])
            rows.append(row | {"solo_probability": sure, "slide_id": slide_id, "voice": "cannot_tell"})
    for row in rows:
        if (hz := row.pop("meanwhile_hz")) is not None:
            hz *= ratio_of_cents(float(speed_map.cents_at(row["transfer_start_s"])))
            row["meanwhile_midi"] = float(midi_of_hz(hz, reference_pitch_hz=reference_pitch_hz))
    return sorted(rows, key=lambda row: (row["transfer_start_s"], row["from_midi"]))


def _row(slide: "Slide", meanwhile: Line, own: Line) -> dict[str, Any]:
    """One glide of a line, and what the line of the other player does meanwhile."""
    at = (own.time_s >= slide.transfer_audible_start_s) & (own.time_s <= slide.transfer_audible_end_s)
    return {
        "transfer_start_s": slide.transfer_audible_start_s,
        "transfer_end_s": slide.transfer_audible_end_s,
        "start_s": slide.audible_start_s,
        "end_s": slide.audible_end_s,
        "from_midi": slide.from_midi,
        "to_midi": slide.to_midi,
        "interval_cents": slide.interval_cents,
        "duration_ms": slide.duration_ms,
        "confidence": slide.confidence,
        "level_db": _median(own.level_db[at] - meanwhile.level_db[at]),
        "meanwhile_hz": _median(meanwhile.f0_hz[at]),
    }


def _median(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else None
