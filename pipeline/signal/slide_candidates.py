"""Every transition that might hold a slide, with the fit of each way of getting from note to note.

All neighbouring notes are taken, whatever lies between them, and every note that comes out of silence (it may be
entered by a glide of its own). What is a slide among them is decided elsewhere, by rules or by learned weights.
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.signal.notes import Span
from pipeline.signal.pitch_line import Frames
from pipeline.signal.slide_models import (
    ARRIVING,
    DEPARTING,
    ENTERING,
    SLIDE_MODELS,
    TWO,
    Fit,
    fit_entrance,
    fit_transition,
)
from pipeline.units import Floats

REACH_S = 0.081
"""How far the fit looks into the held notes."""
LEVEL_S = 0.2
LONGEST_GLIDE_S = 0.5
LONGEST_SILENCE_S = 0.08
LEAST_INTERVAL = 0.5
"""Semitones; closer notes are not tested."""
CLEAR = 0.15
"""Semitones: a frame between two notes is at least this far from both."""


@dataclass(frozen=True)
class Candidate:
    """One transition and its fits; ``before`` and ``after`` are numbers of notes, ``before`` None out of silence.

    ``first`` is the first frame of the window ``midi`` (NaN where there is no line); ``a`` and ``b`` are the held
    pitches, ``a`` NaN out of silence. ``model`` is the cheapest slide model after ``MODEL_COST``.
    """

    before: int | None
    after: int
    first: int
    midi: Floats
    a: float
    b: float
    fit: Fit
    model: int

    @property
    def start(self) -> float:
        """Nominal start of the glide, as a frame of the side."""
        return self.first + float(self.fit.start[self.model])

    @property
    def end(self) -> float:
        """Nominal end of the glide, as a frame of the side."""
        return self.first + float(self.fit.end[self.model])

    @property
    def glide(self) -> tuple[float, float]:
        """Pitches at the ends of the gliding part (with a step inside, of the whole)."""
        if self.model == DEPARTING:
            return self.a, float(self.fit.step_from[DEPARTING])
        if self.model in (ARRIVING, ENTERING):
            return float(self.fit.step_to[self.model]), self.b
        return self.a, self.b

    @property
    def from_midi(self) -> float:
        """Pitch from which the slide goes: that of the note before, or the beginning of the glide."""
        return float(self.fit.step_to[ENTERING]) if self.model == ENTERING else self.a

    @property
    def step(self) -> float:
        """Signed step in the glide in semitones, 0 where it is unbroken."""
        if self.model not in (DEPARTING, ARRIVING, TWO):
            return 0.0
        return float(self.fit.step_to[self.model] - self.fit.step_from[self.model])

    def with_model(self, model: int) -> "Candidate":
        """The same transition read as another model."""
        return replace(self, model=model)


def candidates(frames: Frames, spans: list[Span]) -> list[Candidate]:
    """All candidates, in time order."""
    found = []
    for i, span in enumerate(spans):
        joined = i > 0 and (span.start - spans[i - 1].end) * frames.frame_s <= (
            LONGEST_SILENCE_S if span.region != spans[i - 1].region else 2 * LONGEST_GLIDE_S
        )
        candidate = _between(frames, spans[i - 1], span, i) if joined else _entrance(frames, spans, i)
        if candidate is not None:
            found.append(candidate)
    return found


def _between(frames: Frames, before: Span, after: Span, number: int) -> Candidate | None:
    reach, far = frames.frames(REACH_S), frames.frames(LEVEL_S)
    first = max(before.end - reach, before.start)
    last = min(after.start + reach, after.end)
    a = held_pitch(frames, max(before.start, before.end - far), before.end, at_end=True)
    b = held_pitch(frames, after.start, min(after.end, after.start + far), at_end=False)
    if abs(b - a) < LEAST_INTERVAL:
        return None
    midi = frames.midi[first:last]
    low, high = min(a, b) + CLEAR, max(a, b) - CLEAR
    if not np.any((midi > low) & (midi < high)) and not np.any((midi < low - 0.6) | (midi > high + 0.6)):
        return None
    weights = np.isfinite(midi).astype(np.float64)
    filled = np.where(weights > 0, midi, a)
    fit = fit_transition(filled, weights, a=a, b=b, longest=frames.frames(LONGEST_GLIDE_S))
    return _cheapest(number - 1, number, first, midi, a, b, fit)


def _entrance(frames: Frames, spans: list[Span], number: int) -> Candidate | None:
    span = spans[number]
    first = span.start
    floor = spans[number - 1].end if number else 0
    while first > floor and np.isfinite(frames.midi[first - 1]):
        first -= 1
    first = max(first, span.start - frames.frames(LONGEST_GLIDE_S))
    last = min(span.start + frames.frames(REACH_S), span.end)
    b = held_pitch(frames, span.start, min(span.end, span.start + frames.frames(LEVEL_S)), at_end=False)
    midi = frames.midi[first:last]
    if np.nanmax(np.abs(midi - b)) < LEAST_INTERVAL:
        return None
    fit = fit_entrance(midi, b=b)
    return _cheapest(None, number, first, midi, float("nan"), b, fit)


def _cheapest(
    before: int | None, after: int, first: int, midi: Floats, a: float, b: float, fit: Fit
) -> Candidate | None:
    models = [m for m in SLIDE_MODELS if np.isfinite(fit.charged[m])]
    if not models:
        return None
    model = min(models, key=lambda m: fit.charged[m])
    return Candidate(before, after, first, midi, a, b, fit, model)


def held_pitch(frames: Frames, start: int, end: int, *, at_end: bool) -> float:
    """Pitch held beside a transition: the median without the frames nearest to it."""
    drop = min(frames.frames(0.03), (end - start) // 3)
    part = frames.midi[start : end - drop] if at_end else frames.midi[start + drop : end]
    return float(np.nanmedian(part))
