"""A part grown from takes alone, where nobody has a score.

The take of middle length is the first part; all takes are laid on it, what fewer than half of them strike is dropped,
and what a third of them have beside it is added (next to a note that repeats, takes disagree on which side of it),
three times over; at the end half of the takes must have every note. Its events are columns without bars; sections that
come again stand as often as they were played.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.signal.passages.lay import lay, off_temperament
from pipeline.signal.passages.part import Ints, Part
from pipeline.units import Floats

ROUNDS = 3  # common practice, no source
# Shares of takes that must have a note for it to stay, and to come in (common practice, no source).
KEPT, ADDED = 1 / 2, 1 / 3
SAME_PITCH = 0.7  # semitones within which found notes are one (common practice, no source)
WIDEST_SHIFT = 12
"""Twice as wide as for a score: the take begun with may itself be in an odd key."""
LEAST_TAKES = 2  # one take is no comparison

Take = tuple[Floats, Floats]
"""Pitches (MIDI) and beginnings (s) of the notes found, in order of time."""


@dataclass(frozen=True)
class Grown:
    """The part, in beats of one second of the take begun with; and of each event in how many takes it was struck."""

    part: Part
    takes: tuple[int, ...]


def grow(takes: Sequence[Take], *, rounds: int = ROUNDS) -> Grown:
    """Grow a part.

    Raises
    ------
    ValueError
        If there are fewer than two takes, or the one of middle length has no notes.
    """
    if len(takes) < LEAST_TAKES:
        raise ValueError(f"{len(takes)} takes: a part is grown from {LEAST_TAKES} at least")
    by_length = sorted(range(len(takes)), key=lambda k: (takes[k][0].size, k))
    midi, start_s = takes[by_length[len(takes) // 2]]
    part = _part(np.round(midi - off_temperament(midi)), start_s - start_s[:1])
    counts = [1] * midi.size
    for last in [False] * rounds + [True]:
        part, counts = _again(part, takes, adding=not last)
    return Grown(part, tuple(counts))


def _part(pitches: Floats, beats: Floats) -> Part:
    if pitches.size == 0:
        raise ValueError("the take of middle length has no notes")
    last = float(np.median(np.diff(beats))) if beats.size > 1 else 1.0
    return Part(
        pitches=tuple((float(p),) for p in pitches),
        beats=beats,
        end_beat=float(beats[-1]) + max(last, 1e-3),
        bar_begins=np.zeros(pitches.size, dtype=np.bool_),
    )


def _again(part: Part, takes: Sequence[Take], *, adding: bool) -> tuple[Part, list[int]]:
    """Lays all takes on the part, and makes the next one of what enough of them have."""
    laid = [_laid(part, take) for take in takes]
    fitting = [own for own in laid if own is not None]
    whole = max(len(fitting), LEAST_TAKES)
    struck = Counter(int(e) for own in fitting for e in np.unique(own.event[own.event >= 0]))
    columns = [
        (float(part.beats[e]), part.pitches[e][0], struck[e]) for e in sorted(struck) if struck[e] >= KEPT * whole
    ]
    ends = np.append(part.beats, part.end_beat)
    for (event, pitch), places in _beside(fitting).items() if adding else ():
        if len(places) >= max(ADDED * whole, LEAST_TAKES):
            at = float(ends[event] + np.mean(list(places.values())) * (ends[event + 1] - ends[event]))
            columns.append((at, pitch, len(places)))
    if not columns:
        return part, [0] * len(part.pitches)
    columns.sort()
    beats = np.maximum.accumulate(np.array([c[0] for c in columns]) + 1e-3 * np.arange(len(columns)))
    return _part(np.array([c[1] for c in columns]), beats - beats[0]), [c[2] for c in columns]


class _Laid(NamedTuple):
    """A take on the part: written pitch and beginning of each note, and the event that it strikes in tune, or -1."""

    pitch: Floats
    start_s: Floats
    event: Ints


def _laid(part: Part, take: Take) -> _Laid | None:
    midi, start_s = take
    fit = lay(part, midi=midi, start_s=start_s, widest_shift=WIDEST_SHIFT)
    if fit.state != "placed":
        return None
    pitch = midi - fit.shift - fit.tuning_cents / 100.0
    written = np.array([notes[0] for notes in part.pitches])[np.maximum(fit.event, 0)]
    in_tune = fit.placed & (np.abs(pitch - written) <= SAME_PITCH)
    return _Laid(pitch, start_s, np.where(in_tune, fit.event, -1))


def _beside(fitting: Sequence[_Laid]) -> dict[tuple[int, float], dict[int, float]]:
    """Notes between one struck event and the next, by event and pitch: in which take, and how far on its way."""
    found: defaultdict[tuple[int, float], dict[int, float]] = defaultdict(dict)
    for k, own in enumerate(fitting):
        struck = np.flatnonzero(own.event >= 0)
        for a, b in pairwise(struck):
            if own.event[b] <= own.event[a] or own.event[b] > own.event[a] + 2:
                continue
            for j in range(a + 1, b):
                share = float((own.start_s[j] - own.start_s[a]) / max(own.start_s[b] - own.start_s[a], 1e-6))
                found[int(own.event[a]), float(np.round(own.pitch[j]))].setdefault(k, min(share, 0.99))
    return found
