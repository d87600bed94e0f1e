"""How well a found note fits each state: its pitch, and the time since the note before."""

from typing import NamedTuple

import numpy as np

from pipeline.densities import normal
from pipeline.signal.passages.part import Graph, Ints, Part
from pipeline.units import Floats

SPREAD = 0.22
"""Semitones by which a found note lies off the written one (tried on solo violin)."""
NEAR = 2.5
"""Semitones within which notes beside an event decorate it."""
NEIGHBOURS_WIDTH = 2 * NEAR  # up and down
RANGE = 48.0
"""Semitones over which a pitch that means nothing lies."""
TIGHT, LOOSE = 0.25, 0.9
"""Spread of the logarithm of played over expected time: as a rule, and where the player holds or hurries."""
LOOSE_SHARE = 0.15  # share of notes at which the player holds or hurries (common practice, no source)
UNTIMED = float(np.exp(-1.0))
"""Density of the time where nothing is expected of it."""
PAIRS = 15
"""Pairs of notes from which the tempo at a place is taken: the median of the nearest."""


AGES = 3
"""So many notes back an event may have been struck for the time since then to be known (common practice, no source)."""


class Emission(NamedTuple):
    """Densities of the found notes' pitches.

    ``struck`` (notes, chords) by the distinct chords of the part; ``extra`` (notes, chords, 1 or 0): whether the note
    lies near the chord; ``outside`` (notes,); ``chord`` (events,) the chord of each event.
    """

    struck: Floats
    near: Floats
    outside: Floats
    chord: Ints


def chords(part: Part) -> tuple[Floats, Ints]:
    """Distinct chords, NaN where they have fewer notes than the fullest, and which of them each event is."""
    numbers: dict[tuple[float, ...], int] = {}
    chord = np.array([numbers.setdefault(notes, len(numbers)) for notes in part.pitches], dtype=np.int64)
    most = max(len(notes) for notes in numbers)
    table = np.full((len(numbers), most), np.nan)
    for notes, row in numbers.items():
        table[row, : len(notes)] = notes
    return table, chord


def emission(midi: Floats, table: Floats, chord: Ints) -> Emission:
    """Densities of pitches ``midi`` (notes,), already brought to the written key, a semitone being 1.

    Struck: each note of the chord alike; an octave off 3 %, a semitone off 2 %, anything 3 %.
    """
    pitches, place = np.unique(table, return_inverse=True)
    off = midi[:, None] - pitches[None, :]
    # As written; an octave off, a semitone off (errors of the line); anything (common practice, no source).
    struck = (
        0.92 * normal(off, sd=SPREAD)
        + 0.015 * (normal(off - 12.0, sd=SPREAD) + normal(off + 12.0, sd=SPREAD))
        + 0.01 * (normal(off - 1.0, sd=0.3) + normal(off + 1.0, sd=0.3))
        + 0.03 / 60.0
    )[:, place]
    near = (np.abs(off) <= NEAR)[:, place].any(axis=2)
    mean = np.asarray(np.nanmean(struck, axis=2), dtype=np.float64)
    return Emission(mean, np.asarray(near, dtype=np.float64), _outside(midi, table, chord), chord)


def _outside(midi: Floats, table: Floats, chord: Ints) -> Floats:
    """Outside the part notes are those of the piece, in any order: a flat density would call its introduction part."""
    held = table[chord].ravel()
    held = held[np.isfinite(held)]
    pitches, counts = np.unique(held, return_counts=True)
    shares = counts / counts.sum()
    # Nine in ten as what is heard outside, spread like errors of the line (common practice, no source).
    return np.asarray(0.9 * normal(midi[:, None] - pitches[None, :], sd=0.3) @ shares + 0.1 / RANGE, dtype=np.float64)


def untimed(notes: int, graph: Graph) -> Floats:
    """Densities of times as in ``time_weights`` where no tempo is known yet, and time says nothing."""
    return np.full((notes, graph.log_beats.size, 2), UNTIMED)


def time_weights(start_s: Floats, beat_s: Floats, graph: Graph) -> Floats:
    """Densities of the time since an event was struck, (notes, distinct written times, layers as in ``chain``).

    ``start_s`` (notes,); ``beat_s`` (notes,) how long a beat lasts there. Of events struck long ago time says nothing.
    """
    weights = np.full((start_s.size, graph.log_beats.size, AGES + 2), UNTIMED)
    for age in range(1, min(AGES + 2, start_s.size)):
        log = np.log(np.maximum(start_s[age:] - start_s[:-age], 1e-3)) - np.log(beat_s[age:])
        r = log[:, None] - graph.log_beats[None, :]
        tight, loose = (normal(r, sd=sd) for sd in (TIGHT, LOOSE))
        weights[age:, :, age - 1] = (1.0 - LOOSE_SHARE) * tight + LOOSE_SHARE * loose
    return weights


def local_beat_s(at: Ints, log_beat_s: Floats, notes: int) -> Floats | None:
    """How long a beat lasts at each note: the median of the nearest pairs; None if there are none.

    ``at`` (pairs,) the number of the later note of each pair, ascending; ``log_beat_s`` the logarithm of its s a beat.
    """
    if at.size == 0:
        return None
    wide = min(PAIRS, at.size)
    begin = np.clip(np.searchsorted(at, np.arange(notes)) - wide // 2, 0, at.size - wide)
    return np.asarray(np.exp(np.median(log_beat_s[begin[:, None] + np.arange(wide)], axis=1)), dtype=np.float64)
