"""How well a found note fits each state: its pitch, and the time since the note before."""

from typing import NamedTuple

import numpy as np
from scipy.stats import norm

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

    Struck: the note of the chord nearest in pitch; an octave off 3 %, a semitone off 2 %, anything 3 %.
    """
    off = midi[:, None, None] - table[None, :, :]
    nearest = np.nanargmin(np.abs(off), axis=2)
    r = np.take_along_axis(off, nearest[:, :, None], axis=2)[:, :, 0]
    # As written; an octave off, a semitone off (errors of the line); anything (common practice, no source).
    struck = (
        0.92 * norm.pdf(r, scale=SPREAD)
        + 0.015 * (norm.pdf(r - 12.0, scale=SPREAD) + norm.pdf(r + 12.0, scale=SPREAD))
        + 0.01 * (norm.pdf(r - 1.0, scale=0.3) + norm.pdf(r + 1.0, scale=0.3))
        + 0.03 / 60.0
    )
    return Emission(struck, (np.abs(r) <= NEAR).astype(np.float64), _outside(midi, table, chord), chord)


def _outside(midi: Floats, table: Floats, chord: Ints) -> Floats:
    """Outside the part notes are those of the piece, in any order: a flat density would call its introduction part."""
    held = table[chord].ravel()
    held = held[np.isfinite(held)]
    pitches, counts = np.unique(held, return_counts=True)
    shares = counts / counts.sum()
    # Nine in ten as what is heard outside, spread like errors of the line (common practice, no source).
    return np.asarray(
        0.9 * norm.pdf(midi[:, None] - pitches[None, :], scale=0.3) @ shares + 0.1 / RANGE, dtype=np.float64
    )


def time_weights(apart_s: Floats, beat_s: Floats | None, graph: Graph) -> Floats:
    """Densities of the time since the note before, (notes, distinct written times).

    ``apart_s`` (notes,) seconds since the note before, ``beat_s`` (notes,) how long a beat lasts there; None: no tempo
    is known yet, and time says nothing.
    """
    if beat_s is None:
        return np.full((apart_s.size, graph.log_beats.size), UNTIMED)
    log = np.log(np.maximum(apart_s, 1e-3)) - np.log(beat_s)
    r = log[:, None] - graph.log_beats[None, :]
    return np.asarray((1.0 - LOOSE_SHARE) * norm.pdf(r, scale=TIGHT) + LOOSE_SHARE * norm.pdf(r, scale=LOOSE))


def local_beat_s(at: Ints, log_beat_s: Floats, notes: int) -> Floats | None:
    """How long a beat lasts at each note: the median of the nearest pairs; None if there are none.

    ``at`` (pairs,) the number of the later note of each pair, ascending; ``log_beat_s`` the logarithm of its s a beat.
    """
    if at.size == 0:
        return None
    wide = min(PAIRS, at.size)
    begin = np.clip(np.searchsorted(at, np.arange(notes)) - wide // 2, 0, at.size - wide)
    return np.asarray(np.exp(np.median(log_beat_s[begin[:, None] + np.arange(wide)], axis=1)), dtype=np.float64)
