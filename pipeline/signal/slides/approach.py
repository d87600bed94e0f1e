"""Notes that begin low or high and come in: measured on every note, and told from slides of a finger.

A finger that comes up to a note from a semitone below sounds like a player who begins the note low: no ear can tell
one from the other by the single note. What tells is the player's habit. A shift glides the way that the melody goes;
whoever begins notes low does so after a fall as well, where no arriving finger could have come from below. So the
notes whose glide runs against the melody say how often one is to be expected that runs with it, and only what is
beyond that can be slides.
"""

from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within
from pipeline.signal.slides.candidates import LEAST_INTERVAL, Candidate, held_pitch
from pipeline.signal.slides.frames import Frames
from pipeline.signal.slides.glide_fit import ARRIVING, ENTERING, SAME, TWO
from pipeline.signal.slides.notes import Span
from pipeline.units import Floats

LONGEST_S = 0.3
"""Longest approach looked for."""
SHORTEST_S = 0.03  # shorter is the onset itself (common practice, no source)
SETTLED_S = 0.15
"""A note is taken as settled so long after its beginning, where it lasts long enough."""
HELD_S = 0.36
"""How much of the settled note is looked at: two periods of its vibrato."""
LEAST_SLIDE = 1.5
"""Semitones that a finger glides at least into a note without doubt, half-way from one semitone to two; the finger that
stood in no place of its own stood a whole semitone off at least."""
LEAST_PLACE = 0.7
"""Semitones; less cannot be a place where a finger stood: a semitone, less what intonation and fit may be off."""
EXPECTED, NOTES = 0.1, 20.0
"""What is taken as known of a player's habit before listening: so many approaches of one size in so many notes. No
source: on recordings of today's players 5 (violin) to 26 (cello) notes in a hundred begin over 30 cents off, those as
far off as a semitone are much fewer. Twice as much loses two rendered slides in 446 and gains nothing."""
SMALLER, LARGER = 0.6, 1.7
"""Approaches between these shares of a glide's size are of its like."""
SLACK = 40.0
"""In units of the fit's squared sigma; some 2.5 in log likelihood, for neighbouring frames share most of their sound.
Trial on renders: of seven false slides in 981 changes that 10 leaves, 40 takes two; no slide is lost by it."""
LEAST_CENTS = 25.0
"""Least approach that is reported: pitch at a beginning is heard to some 20 cents (common practice, no source)."""
SIGMA = 0.08
"""Semitones that the line of a held note wanders (renders: 6 cents; real notes without vibrato: 7)."""
CAP = 9.0  # three sigma, squared: single wrong frames count little
BEYOND = 1.25
"""An approach begins so many times further off than the note swings afterwards, or it may be its vibrato."""
LEAST_GAIN = 24.0
"""Cost saved, in squared sigma: three independent looks, for neighbouring frames share eight in nine of their sound."""


@dataclass(frozen=True)
class Approach:
    """How one note begins: ``cents`` off its pitch (negative: low), and in how many ``seconds`` it comes in."""

    cents: float
    seconds: float


@cache
def _shapes(longest: int) -> Floats:
    """Ways (2, longest + 1, longest) to come in, in so many frames: how far off it is in each, of 1 at first."""
    gone = np.arange(longest) / np.maximum(np.arange(longest + 1), 1)[:, None]
    return np.array([0.5 + 0.5 * np.cos(np.pi * gone), (1.0 - gone) ** 2])


@compiled_within()
def _cost(off: float, weight: float) -> float:
    return weight * min(off * off / (SIGMA * SIGMA), CAP)


@compiled()
def _fit(y, w, a, b, first, shortest, longest, shapes):  # type: ignore[no-untyped-def]
    """Best (semitones off, length in frames, cost saved) of a note that steps in before frame ``first`` at latest.

    Frames before the step are the note before's (``a``; NaN: they cost nothing but are none either). ``shapes`` as
    ``_shapes`` gives them.
    """
    n = y.size
    before = np.zeros(n + 1)
    after = np.zeros(n + 1)
    for i in range(n):
        before[i + 1] = before[i] + (_cost(y[i] - a, w[i]) if np.isfinite(a) else CAP)
    for i in range(n - 1, -1, -1):
        after[i] = after[i + 1] + _cost(y[i] - b, w[i])
    plain = np.inf
    best = np.inf
    off = 0.0
    length = 0.0
    for start in range(min(first, n - 4) + 1):
        plain = min(plain, before[start] + after[start])
        for frames in range(shortest, min(longest, n - start) + 1):
            if before[start] + after[start + frames] >= best:
                continue
            for way in range(2):
                shape = shapes[way, frames]
                top = 0.0
                bottom = 1e-9
                for i in range(start, start + frames):
                    v = shape[i - start]
                    top += w[i] * v * (y[i] - b)
                    bottom += w[i] * v * v
                e = top / bottom
                cost = before[start] + after[start + frames]
                for i in range(start, start + frames):
                    v = shape[i - start]
                    cost += _cost(y[i] - b - e * v, w[i])
                if cost < best:
                    best = cost
                    off = e
                    length = float(frames)
    return off, length, plain - best


def approaches(frames: Frames, spans: list[Span]) -> list[Approach | None]:
    """How each note begins, None where it begins on its pitch or is too short to say; glides of any size are fitted."""
    return [_approach(frames, spans, i) for i in range(len(spans))]


def _approach(frames: Frames, spans: list[Span], number: int) -> Approach | None:
    span = spans[number]
    before = spans[number - 1] if number and spans[number - 1].region == span.region else None
    settled = span.start + min(frames.frames(SETTLED_S), (span.end - span.start) // 2)
    longest = frames.frames(LONGEST_S)
    first = _sounding_from(frames, span, floor=spans[number - 1].end if number else 0, most=longest)
    last = min(span.end, span.start + longest)
    if last - first < frames.frames(2 * SHORTEST_S, least=8):
        return None
    b = held_pitch(frames, settled, min(span.end, settled + frames.frames(HELD_S)), at_end=False)
    held = frames.midi[settled : min(span.end, settled + frames.frames(HELD_S))]
    midi = frames.midi[first:last]
    known = np.isfinite(midi)
    off, length, gain = _fit(
        np.where(known, midi, b),
        known.astype(np.float64),
        before.level if before is not None else float("nan"),
        b,
        max(span.start - first, 0) + frames.frames(SHORTEST_S),
        frames.frames(SHORTEST_S),
        longest,
        _shapes(longest),
    )
    swings = float(np.nanmax(np.abs(held - b))) if np.isfinite(held).any() else 0.0
    if abs(off) >= LEAST_SLIDE:
        return None
    if gain < LEAST_GAIN or 100.0 * abs(off) < LEAST_CENTS or abs(off) < BEYOND * swings:
        return None
    return Approach(100.0 * off, length * frames.frame_s)


def _sounding_from(frames: Frames, span: Span, *, floor: int, most: int) -> int:
    """First frame of the unbroken line that leads into a note, after the note before and at most so many frames off."""
    first = span.start
    while first > max(floor, span.start - most) and np.isfinite(frames.midi[first - 1]):
        first -= 1
    return first


@dataclass(frozen=True)
class Glide:
    """The glide into note ``after`` as it may be read at the smallest: ``semitones`` (signed) from its outer end."""

    after: int
    semitones: float
    way_in: Literal["step", "glide", "silence"]


def smallest_glide(slide: Candidate) -> Glide:
    """The glide into the note, with as large a step before it as explains the line as well as the slide does.

    A step and a small glide smear into one glide under the tracker's window; so the reading with a step is preferred
    where it costs no more than ``SLACK``.
    """
    fit, b, model = slide.fit, slide.b, slide.model
    if model == ENTERING:
        return Glide(slide.after, b - float(fit.step_to[ENTERING]), "silence")
    if model == SAME and abs(b - slide.a) < LEAST_SLIDE:
        return Glide(slide.after, b - slide.a, "glide")
    if fit.charged[ARRIVING] <= fit.charged[model] + SLACK:
        return Glide(slide.after, b - float(fit.step_to[ARRIVING]), "step")
    step = slide.step if model == TWO else 0.0
    return Glide(slide.after, b - slide.a - step, "step" if model == TWO else "glide")


def finger_probabilities(glides: list[Glide], spans: list[Span], begins: list[Approach | None]) -> Floats:
    """Probability that each glide into a note is a finger's and no habit of beginning notes off their pitch.

    Notes
    -----
    Of the notes reached against a glide's direction a share begins like its note, out of habit; of the notes reached
    in its direction, another. What is beyond habit is the fingers': 1 - the first share over the second, both being
    means of a beta posterior with ``EXPECTED`` in ``NOTES`` known before. Glides of ``LEAST_SLIDE`` and more are
    fingers'; a finger that glides against the melody, or from nearer than ``LEAST_PLACE``, is not taken for one.
    """
    levels = np.array([span.level for span in spans])
    joined = np.array([False, *(b.region == a.region for a, b in pairwise(spans))])
    intervals = np.where(joined, np.diff(levels, prepend=np.nan), np.nan)
    off = np.array([0.0 if begin is None else begin.cents / 100.0 for begin in begins])
    gliding = np.zeros(len(spans), dtype=bool)
    for glide in glides:
        if abs(glide.semitones) < LEAST_SLIDE:
            gliding[glide.after] = True
        else:
            off[glide.after] = 0.0
    return np.array([_of_finger(glide, intervals, off, gliding) for glide in glides])


def _of_finger(glide: Glide, intervals: Floats, off: Floats, gliding: npt.NDArray[np.bool_]) -> float:
    size, sign = abs(glide.semitones), np.sign(glide.semitones)
    way = sign * intervals
    if size >= LEAST_SLIDE:
        return 1.0
    if glide.way_in == "step" and (size < LEAST_PLACE or way[glide.after] < 0):
        return 0.0
    against = way <= -LEAST_INTERVAL
    along = {
        "step": way >= LEAST_SLIDE,
        "glide": (way >= LEAST_INTERVAL) & (way < LEAST_SLIDE),
        "silence": np.isnan(way),
    }[glide.way_in]
    alike = (-sign * off >= SMALLER * size) & (-sign * off <= LARGER * size)
    by_habit = (EXPECTED + np.sum(alike & against)) / (NOTES + np.sum(against))
    all_told = (EXPECTED + np.sum((alike | gliding) & along)) / (NOTES + np.sum(along))
    return float(np.clip(1.0 - by_habit / all_told, 0.0, 1.0))
