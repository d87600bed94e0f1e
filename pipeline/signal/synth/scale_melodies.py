"""Melodies that lead somewhere: from one turning point to the next mostly by step, as scales and songs do."""

import numpy as np

from pipeline.instruments import Instrument

LEAST_RANGE, MOST_RANGE = 7, 15
"""Semitones above the top open string to which lines rise."""
LEAPS = 0.3
"""Share of turning points reached at one leap."""
STRIDES = (0.4, 0.35, 0.25)
"""Shares of moves by one, two and three notes of the scale elsewhere."""


def melody(
    rng: np.random.Generator, *, instrument: Instrument, pull: dict[int, float], notes: int, top: int | None = None
) -> list[int]:
    """Pitches (MIDI) of a scale, no two neighbours alike.

    The line makes for one turning point after another, by step or over a note or two of the scale, now and then by one
    leap. ``pull`` says how readily it turns on each pitch class of the scale; ``top`` how many semitones above the top
    open string the line may rise, drawn at random if None.
    """
    low = instrument.open_midi[0] + 2
    high = instrument.open_midi[-1] + (int(rng.integers(LEAST_RANGE, MOST_RANGE)) if top is None else top)
    ladder = [midi for midi in range(low, high + 1) if midi % 12 in pull]
    at = int(rng.integers(len(ladder) // 2, 3 * len(ladder) // 4))
    found = [ladder[at]]
    while len(found) < notes:
        away = np.abs(np.arange(len(ladder)) - at)
        weight = ((away >= 2) & (away <= 8)) * np.array([pull[midi % 12] ** 2 for midi in ladder])
        turn = int(rng.choice(len(ladder), p=weight / weight.sum()))
        leaps = rng.random() < LEAPS
        while at != turn and len(found) < notes:
            far = abs(turn - at) if leaps else min(int(rng.choice((1, 2, 3), p=STRIDES)), abs(turn - at))
            at += far if turn > at else -far
            found.append(ladder[at])
    return found
