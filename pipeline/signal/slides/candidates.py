"""Every transition that might hold a slide, with the fit of each way of getting from note to note.

All neighbouring notes are taken, whatever lies between them, and every note that comes out of silence (it may be
entered by a glide of its own). What is a slide among them is decided elsewhere, by rules or by learned weights.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from pipeline.compiled import median_of_known
from pipeline.signal.slides.frames import Frames
from pipeline.signal.slides.glide_fit import (
    ARRIVING,
    DEPARTING,
    ENTERING,
    SAME,
    SLIDE_MODELS,
    TWO,
    Fit,
    fit_entrance,
    fit_transition,
)
from pipeline.signal.slides.notes import Span
from pipeline.signal.slides.vibrato import FIT_S, carried_vibrato
from pipeline.units import Floats

REACH_S = 0.081
"""How far the fit looks into the held notes."""
LEVEL_S = 0.33  # stretch of a note that tells its pitch: two periods of a vibrato (common practice, no source)
LONGEST_GLIDE_S = 0.5  # longer is a phrase, no slide (common practice, no source)
LONGEST_SILENCE_S = 0.15  # a longer one parts two phrases (common practice, no source)
PASSING_S = 0.11
"""A note no longer than this may be the end of a glide that eases out, so it is also looked past."""
STOLEN_S = 0.2
"""The accompaniment may take the line for as long; such a note is also looked past, and its frames are not known."""
OUTSIDE = 4.0
"""Semitones beyond both notes of a transition at which a frame is the accompaniment's."""
LEAST_INTERVAL = 0.5
"""Semitones; closer notes are not tested."""
GREATEST_MISFIT = 3.5
"""Mean cost of a frame (of at most 9) beyond which nothing explains the line."""
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
    def passed(self) -> int | None:
        """Number of the short note that is looked past, if one is."""
        return self.after - 1 if self.before == self.after - 2 else None

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

    def curve(self, at: Floats) -> Floats:
        """Fitted pitch in semitones at fractional frames ``at`` of the window."""
        fit, model = self.fit, self.model
        low, high = self.glide
        start, end = fit.start[model], fit.end[model]
        x = np.clip((at - start) / max(end - start, 1e-9), 0.0, 1.0)
        u = x if fit.straight[model] else 0.5 - 0.5 * np.cos(np.pi * x)
        if model == TWO:
            high = high - self.step
        pitch = low + (high - low) * u
        if model == DEPARTING:
            return np.asarray(np.where(at > end, self.b, pitch))
        if model == ARRIVING:
            return np.asarray(np.where(at < start, self.a, pitch))
        if model == TWO:
            return np.asarray(pitch + np.where(at > fit.step_at[model], self.step, 0.0))
        return np.asarray(pitch)

    def with_model(self, model: int) -> "Candidate":
        """The same transition read as another model; itself where that model does not fit.

        A glide into a note after a leftover pitch is its arriving (or unbroken) fit without the step.
        """
        if model != ENTERING or np.isfinite(self.fit.cost[ENTERING]):
            return replace(self, model=model) if np.isfinite(self.fit.cost[model]) else self
        source = ARRIVING if np.isfinite(self.fit.cost[ARRIVING]) else SAME
        step_to = self.fit.step_to.copy()
        step_to[ENTERING] = self.fit.step_to[ARRIVING] if source == ARRIVING else self.a
        moved = {name: getattr(self.fit, name).copy() for name in ("cost", "start", "end", "straight")}
        for values in moved.values():
            values[ENTERING] = values[source]
        return replace(self, model=ENTERING, fit=replace(self.fit, step_to=step_to, **moved))


def candidates(frames: Frames, spans: list[Span]) -> list[Candidate]:
    """All candidates, in time order; those that look past a short note follow the two that end and begin in it."""
    found = []
    for i in range(len(spans)):
        tried = [_between(frames, spans, i - 1, i) if _joined(frames, spans, i - 1, i) else _entrance(frames, spans, i)]
        if i > 1 and _passing(frames, spans, i):
            tried.append(_between(frames, spans, i - 2, i) if _joined(frames, spans, i - 2, i) else None)
        found += [candidate for candidate in tried if candidate is not None]
    return found


def _passing(frames: Frames, spans: list[Span], i: int) -> bool:
    """Whether the note before note ``i`` is so short that it may be no note of the solo."""
    length_s = (spans[i - 1].end - spans[i - 1].start) * frames.frame_s
    return length_s <= PASSING_S or (length_s <= STOLEN_S and _stolen(spans, i))


def _stolen(spans: list[Span], i: int) -> bool:
    low, high = sorted((spans[i - 2].level, spans[i].level))
    return not low - OUTSIDE <= spans[i - 1].level <= high + OUTSIDE


def _joined(frames: Frames, spans: list[Span], i: int, j: int) -> bool:
    if i < 0:
        return False
    gap_s = (spans[j].start - spans[i].end) * frames.frame_s
    if j == i + 2 and _stolen(spans, j):
        return gap_s <= LONGEST_GLIDE_S
    return gap_s <= (LONGEST_SILENCE_S if spans[i].region != spans[j].region else 2 * LONGEST_GLIDE_S)


def _between(frames: Frames, spans: list[Span], i: int, j: int) -> Candidate | None:
    before, after = spans[i], spans[j]
    reach = frames.frames(REACH_S)
    first = max(before.end - reach, before.start)
    last = min(after.start + reach, after.end)
    a, b = held_pitches(frames, before, after)
    if abs(b - a) < LEAST_INTERVAL:
        return None
    midi = frames.midi[first:last]
    midi = np.where((midi < min(a, b) - OUTSIDE) | (midi > max(a, b) + OUTSIDE), np.nan, midi)
    low, high = min(a, b) + CLEAR, max(a, b) - CLEAR
    # Nothing between the notes, and nothing far outside them, is a clean change (common practice, no source).
    if not np.any((midi > low) & (midi < high)) and not np.any((midi < low - 0.6) | (midi > high + 0.6)):
        return None
    weights = np.isfinite(midi).astype(np.float64)
    filled = np.where(weights > 0, midi, a)
    fit = fit_transition(
        filled,
        weights,
        a=a,
        b=b,
        swing_a=_swing(frames, before, first, midi.size, at_end=True),
        swing_b=_swing(frames, after, first, midi.size, at_end=False),
        longest=frames.frames(LONGEST_GLIDE_S),
    )
    return _cheapest(i, j, first, midi, a, b, fit)


def _swing(frames: Frames, span: Span, first: int, count: int, *, at_end: bool) -> Floats:
    drop, long = frames.frames(0.03), frames.frames(FIT_S)
    if at_end:
        low, high = max(span.start, span.end - drop - long), span.end - drop
    else:
        low, high = span.start + drop, min(span.end, span.start + drop + long)
    held = frames.midi[low : max(high, low)]
    if not np.isfinite(held).all():
        return np.zeros(count)
    return carried_vibrato(held, frame_s=frames.frame_s, first=first - low, count=count)


def _entrance(frames: Frames, spans: list[Span], number: int) -> Candidate | None:
    span = spans[number]
    first = span.start
    floor = spans[number - 1].end if number else 0
    while first > floor and np.isfinite(frames.midi[first - 1]):
        first -= 1
    first = max(first, span.start - frames.frames(LONGEST_GLIDE_S))
    last = min(span.start + frames.frames(REACH_S), span.end)
    b = _begins_at(frames, span)
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
    if fit.cost[model] > GREATEST_MISFIT * midi.size:
        return None
    return Candidate(before, after, first, midi, a, b, fit, model)


@lru_cache(maxsize=512)
def _hann(size: int) -> Floats:
    """A Hann window (size,) without its zeros."""
    return np.asarray(np.hanning(size + 2)[1:-1])


def held_pitches(frames: Frames, before: Span, after: Span) -> tuple[float, float]:
    """Pitches held on both sides of a change of note."""
    start = max(before.start, before.end - frames.frames(LEVEL_S))
    return held_pitch(frames, start, before.end, at_end=True), _begins_at(frames, after)


def _begins_at(frames: Frames, span: Span) -> float:
    return held_pitch(frames, span.start, min(span.end, span.start + frames.frames(LEVEL_S)), at_end=False)


def held_pitch(frames: Frames, start: int, end: int, *, at_end: bool) -> float:
    """Pitch held beside a transition, without the frames nearest to it.

    The mean under a Hann window, which a vibrato of two periods or more hardly moves; frames further than .8
    semitone from the median are left out.
    """
    drop = min(frames.frames(0.03), (end - start) // 3)
    part = frames.midi[start : end - drop] if at_end else frames.midi[start + drop : end]
    middle = float(median_of_known(part))
    near = np.abs(part - middle) < 0.8
    if not near.any():
        return middle
    weights = _hann(part.size)[near]
    return float(np.add.reduce(part[near] * weights) / np.add.reduce(weights))
