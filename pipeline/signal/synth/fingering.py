"""The hand that plans are made with: strings, fingers and positions, in semitones above the open string.

A hand position is where the first finger stands. The other fingers reach a semitone or two further on; first to
fourth is a fourth on violin and viola (sometimes a semitone more), a minor third on the cello (common practice).
"""

from dataclasses import dataclass

from pipeline.instruments import Instrument

# Semitones that each finger may stand above the first.
_REACH: dict[int, dict[int, tuple[int, ...]]] = {
    5: {1: (0,), 2: (1, 2), 3: (3, 4), 4: (5, 6)},
    3: {1: (0,), 2: (1,), 3: (2,), 4: (3, 4)},
}
# Scale step of the first finger above the open string, by semitones: the usual names of the positions.
_POSITION = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6, 7, 8, 8, 9, 9, 10, 10, 11, 12)


@dataclass(frozen=True)
class Stop:
    """One way to stop one note: string index, finger (0 open) and first-finger place in semitones (0 open)."""

    string: int
    finger: int
    first: int
    midi: int


def position_name(first: int) -> int:
    """Number of the position whose first finger stands ``first`` semitones above the open string."""
    return _POSITION[first]


def reach(instrument: Instrument) -> dict[int, tuple[int, ...]]:
    """Semitones above the first finger that each finger reaches, by finger."""
    return _REACH[instrument.frame_semitones]


def highest_first(instrument: Instrument) -> int:
    """Highest first-finger place used in plans, in semitones (thumb position is not planned)."""
    return {"violin": 15, "viola": 13, "cello": 10}[instrument.name]


def stops_in_frame(instrument: Instrument, *, first: int, strings: tuple[int, ...]) -> list[Stop]:
    """Every note that a hand at ``first`` can stop on the given strings, open strings included."""
    found = []
    for string in strings:
        found.append(Stop(string, 0, 0, instrument.open_midi[string]))
        for finger, places in reach(instrument).items():
            found += [Stop(string, finger, first, instrument.open_midi[string] + first + d) for d in places]
    return found
