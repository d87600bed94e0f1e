"""Of the candidates that may be bowed in a frame, the likeliest set that one hand can stop on neighbouring strings.

It takes away wrong notes: of what a hand cannot stop together, the less likely goes.
"""

from collections.abc import Sequence
from itertools import combinations

from pipeline.signal.hand.fingerboard import Fingerboard, chord_ways

MOST_LOOKED_AT = 6  # notes of which all sets are tried: 64 sets
ONE_NOTE = 0.7
"""Semitones within which two candidates of a frame are one note: a wide vibrato is heard at several places at once.
With 0.9, quick notes a semitone apart are lost."""


def best_set(board: Fingerboard, midi: Sequence[float], odds: Sequence[float]) -> tuple[int, ...]:
    """Which of the candidates of one frame sound together: those of the greatest sum of log odds.

    Parameters
    ----------
    midi : their pitches at the tuning that ``board`` is meant in.
    odds : log odds that each is bowed; those of 0 and less are left out.
    """
    if len(odds) == 1:
        return (0,) if odds[0] > 0.0 else ()
    likely: list[int] = []
    for i in sorted((i for i, here in enumerate(odds) if here > 0.0), key=lambda i: -odds[i]):
        if all(abs(midi[i] - midi[j]) >= ONE_NOTE for j in likely):
            likely.append(i)
    likely = likely[:MOST_LOOKED_AT]
    if len(likely) < 2:
        return tuple(likely)
    worths = [odds[i] for i in likely]
    sounding = [round(midi[i]) for i in likely]
    if len(likely) <= len(board.strings) and can_sound_together(board, tuple(sounding)):
        return tuple(likely)
    found: tuple[int, ...] = (0,)
    best = worths[0]
    for size in range(2, min(len(likely), len(board.strings)) + 1):
        for some in combinations(range(len(likely)), size):
            worth = sum(worths[i] for i in some)
            if worth > best and can_sound_together(board, tuple(sounding[i] for i in some)):
                found, best = some, worth
    return tuple(likely[i] for i in found)


def can_sound_together(board: Fingerboard, midi: tuple[int, ...]) -> bool:
    """Whether there is any way to stop these pitches together."""
    return bool(chord_ways(board, tuple(sorted(midi))))
