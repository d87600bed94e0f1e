"""Of the candidates that may be bowed in a frame, the likeliest set that one hand can stop on neighbouring strings.

It takes away wrong notes: of what a hand cannot stop together, the less likely goes.
"""

from itertools import combinations

import numpy as np

from pipeline.signal.hand.fingerboard import Fingerboard, chord_ways
from pipeline.units import Floats

MOST_LOOKED_AT = 6  # notes of which all sets are tried: 64 sets


def best_set(board: Fingerboard, midi: Floats, odds: Floats) -> tuple[int, ...]:
    """Which of the candidates of one frame sound together: those of the greatest sum of log odds.

    Parameters
    ----------
    midi : (n,) their pitches at the tuning that ``board`` is meant in.
    odds : (n,) log odds that each is bowed; those of 0 and less are left out.
    """
    likely = np.flatnonzero(odds > 0.0)
    likely = likely[np.argsort(-odds[likely], kind="stable")][:MOST_LOOKED_AT]
    if likely.size < 2:
        return tuple(int(i) for i in likely)
    worths = odds[likely]
    sounding = [round(float(m)) for m in midi[likely]]
    if likely.size <= len(board.strings) and can_sound_together(board, tuple(sounding)):
        return tuple(int(i) for i in likely)
    found: tuple[int, ...] = (0,)
    best = float(worths[0])
    for size in range(2, min(likely.size, len(board.strings)) + 1):
        for some in combinations(range(likely.size), size):
            worth = float(sum(worths[i] for i in some))
            if worth > best and can_sound_together(board, tuple(sounding[i] for i in some)):
                found, best = some, worth
    return tuple(int(likely[i]) for i in found)


def can_sound_together(board: Fingerboard, midi: tuple[int, ...]) -> bool:
    """Whether there is any way to stop these pitches together."""
    return bool(chord_ways(board, tuple(sorted(midi))))
