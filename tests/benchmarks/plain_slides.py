"""A plain slide detector, as one would write it first: leave the band of a note, move one way, enter another's.

It stands for what a threshold on a pitch line reaches, on a general tracker's line or on perfect pitch. Band and
shortest note are the best of a grid, on perfect pitch of sides of other seeds.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.units import Floats

BAND = 0.3
SHORTEST_NOTE_S = 0.08
SHORTEST_SLIDE_S = 0.06
LEAST_SEMITONES = 0.8
BACK = 0.15
"""Semitones that the line may go back and still count as moving one way."""


@dataclass(frozen=True)
class PlainSlide:
    """What is scored of a slide; the kind is always the commonest."""

    transfer_audible_start_s: float
    transfer_audible_end_s: float
    interval_cents: float
    kind: str = "same_finger"
    confidence: float = float("nan")


def plain_slides(time_s: Floats, f0_hz: Floats) -> list[PlainSlide]:
    """Slides of a pitch line (times (n,) in s, Hz (n,), NaN where there is none)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        midi = 12.0 * np.log2(np.where(np.asarray(f0_hz) > 0, f0_hz, np.nan))
    notes = _notes(np.asarray(time_s), midi)
    found = []
    for (_, end, a), (start, _, b) in pairwise(notes):
        between = midi[end : start + 1]
        way = np.sign(b - a)
        if not np.isfinite(between).all() or abs(b - a) < LEAST_SEMITONES:
            continue
        reached = np.maximum.accumulate(between * way)
        if time_s[start] - time_s[end] >= SHORTEST_SLIDE_S and np.all(reached - between * way <= BACK):
            found.append(PlainSlide(float(time_s[end]), float(time_s[start]), 100.0 * (b - a)))
    return found


def _notes(time_s: Floats, midi: Floats) -> list[tuple[int, int, float]]:
    """Stretches within a band: (first frame, last frame, median), the longest chosen first, in time order."""
    runs = []
    last = 0
    for first in range(midi.size):
        last = max(last, first)
        while last < midi.size and _within(midi[first : last + 1]):
            last += 1
        if last > first and time_s[last - 1] - time_s[first] >= SHORTEST_NOTE_S:
            runs.append((first, last - 1))
    taken = np.zeros(midi.size, dtype=bool)
    notes = []
    for first, end in sorted(runs, key=lambda run: run[0] - run[1]):
        if not taken[first : end + 1].any():
            taken[first : end + 1] = True
            notes.append((first, end, float(np.median(midi[first : end + 1]))))
    return sorted(notes)


def _within(part: Floats) -> bool:
    return bool(np.isfinite(part[-1])) and float(part.max() - part.min()) <= 2 * BAND
