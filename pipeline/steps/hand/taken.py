"""Notes, transitions and slides of one take; light, since whoever shows what the step found needs them too."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipeline.kinds import KINDS
from pipeline.units import Floats

if TYPE_CHECKING:
    from pipeline.signal.hand.played_line import Line

NEAR_S = 0.15
"""How far a time written down by ear may lie off the note that it means (common practice, no source)."""


@dataclass(frozen=True)
class TakeNotes:
    """Notes, transitions and slides of one take, in time order; ``slide`` is the slide into each note or -1."""

    notes: pl.DataFrame
    transitions: pl.DataFrame
    slides: pl.DataFrame
    slide: np.ndarray

    def at(self, time_s: float) -> int:
        """The note that sounds at a corrected time, or begins within ``NEAR_S`` of it; -1 if there is none."""
        start_s, end_s = _floats(self.notes, "start_s"), _floats(self.notes, "end_s")
        away = np.maximum(np.maximum(start_s - time_s, time_s - end_s), 0.0)
        return int(np.argmin(away)) if away.size and away.min() <= NEAR_S else -1

    def midi_at(self, time_s: float) -> float | None:
        """The pitch of the note at a corrected time; None if there is none."""
        i = self.at(time_s)
        return float(self.notes["midi"][i]) if i >= 0 else None

    def line(self, *, semitones: float) -> "Line":
        """The take as arrays, every pitch raised by ``semitones`` (another reading of the speed)."""
        from pipeline.signal.hand.chain import Slides
        from pipeline.signal.hand.played_line import Line

        slurred = {row["to_note_id"]: row["slurred_probability"] for row in self.transitions.to_dicts()}
        kinds = self.slides.select([f"p_{kind}" for kind in KINDS]).to_numpy().reshape(-1, len(KINDS))
        return Line(
            midi=_floats(self.notes, "midi") + semitones,
            start_s=_floats(self.notes, "start_s"),
            end_s=_floats(self.notes, "end_s"),
            vibrato_cents=_floats(self.notes, "vibrato_cents"),
            slurred=np.array([_or_nan(slurred.get(i)) for i in self.notes["note_id"]], dtype=np.float64),
            slide=self.slide,
            slides=Slides(
                np.ascontiguousarray(kinds, dtype=np.float64),
                _floats(self.slides, "from_midi") + semitones,
                _floats(self.slides, "to_midi") + semitones,
                _floats(self.slides, "step_from_midi") + semitones,
                _floats(self.slides, "step_to_midi") + semitones,
                _floats(self.slides, "confidence"),
            ),
        )


def take_notes(notes: pl.DataFrame, transitions: pl.DataFrame, slides: pl.DataFrame) -> TakeNotes:
    """Rows of one take in time order; of two slides into one note the more confident one counts."""
    notes = notes.sort("start_s", "note_id")
    slides = slides.sort("audible_start_s", "slide_id")
    place = {note_id: i for i, note_id in enumerate(notes["note_id"])}
    slide = np.full(notes.height, -1, dtype=np.int64)
    confidence = slides["confidence"].to_list()
    for k, note_id in enumerate(slides["to_note_id"]):
        i = place.get(note_id)
        if i is not None and (slide[i] < 0 or confidence[k] > confidence[slide[i]]):
            slide[i] = k
    return TakeNotes(notes, transitions, slides, slide)


def _floats(frame: pl.DataFrame, name: str) -> Floats:
    return frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64)


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else value
