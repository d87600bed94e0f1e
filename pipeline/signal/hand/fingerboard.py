"""Strings, positions and fingers: what one hand can stop, in semitones above the open string.

A hand *place* is where the first finger stands (or would stand), in semitones above the open string; the other
fingers stand at an *offset* above it. First to fourth finger is normally a perfect fourth on violin and viola and
a minor third, extended a major third, on the cello (common practice). From the seventh semitone up the cellist's
thumb leaves the neck and stops the string too, a whole tone below the first finger; second and third finger stand a
semitone or a whole tone apart above it, thumb and third finger a fourth (common practice).

Distances along the string follow d = L (1 - 2^(-n/12)), the length cut off by a stop n semitones above the open
string of vibrating length L. Lengths: violin 328 mm (measured on an instrument of 1716; makers give 325 to 330),
viola 375 mm and cello 690 mm (common practice, from memory). The longest stretches within one hand are common
practice, no source: a tenth across two strings in the violin's first position (118 mm), the cello's extended major
third in half position. In 24,000 fingerings of five professionals (``pipeline.training.fingers``) first and fourth
finger are a fourth apart or less in nine of ten uses of the fourth, an augmented fourth in one of ten, a fifth in one
of a hundred; the second finger stands a minor third above the first, and the first a semitone below its place, once
or twice in a thousand notes.
"""

from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import combinations, permutations, product

import numpy as np

from pipeline.instruments import INSTRUMENTS, THUMB
from pipeline.units import Floats, ratio_of_semitones

# Usual full sizes; longest stretches and highest places of a hand (common practice, no source).
STRING_LENGTH_MM = {"violin": 328.0, "viola": 375.0, "cello": 690.0}
LONGEST_STRETCH_MM = {"violin": 120.0, "viola": 135.0, "cello": 140.0}
HIGHEST_PLACE = {"violin": 24, "viola": 21, "cello": 24}
THUMB_FROM = 9
"""Lowest place of the cellist's first finger with the thumb on the string (then a whole tone below it)."""
LAST_NECK_PLACE = 12  # an octave: beyond it the hand stands over the body
OPEN = 0  # the finger of an open string
FREE_PLACE = 12
"""Highest place where the hand is looked for while an open string sounds."""
FINGERS = (1, 2, 3, 4)  # from the index finger

# Sounding semitones above the open string of the natural harmonics in use -> where the finger touches.
HARMONICS = {12: (12,), 19: (7, 19), 24: (5, 24), 28: (4, 9, 16)}
ARTIFICIAL = 24
"""Semitones that a note stopped by the first finger sounds higher with the fourth finger touching a fourth above it."""

# Offsets of each finger above the first: in the frame, and out of it (contracted or extended).
_FRAMES: dict[str, dict[int, tuple[tuple[int, ...], tuple[int, ...]]]] = {
    "fourth": {1: ((0,), (-1,)), 2: ((1, 2), (0, 3)), 3: ((3, 4), (2, 5)), 4: ((5,), (3, 4, 6, 7))},
    "third": {1: ((0,), (-1,)), 2: ((1,), (2,)), 3: ((2,), (3,)), 4: ((3,), (4,))},
    "thumb": {1: ((0,), (-1,)), 2: ((1, 2), (3,)), 3: ((3, 4), (2, 5)), 4: ((), (4, 5)), THUMB: ((-2,), (-3, -1))},
}
LARGEST_OFFSET = 7
SMALLEST_OFFSET = -3
TENTH_OFFSETS = (8, 9)
"""Offsets of the fourth finger that only double stops ask of it, such as tenths."""

STRAINED_WEIGHT = 0.15
"""How much a sliding finger counts for each semitone that it is out of the usual frame (common practice, no source)."""

# Scale step on which the first finger stands, by semitones above the open string; 7 diatonic steps an octave.
_STEPS = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)
# Places whose position has a second name, by spelling (E flat or D sharp with the first finger on the A string).
_ALSO = {1: (0,), 4: (3,), 6: (4,), 7: (5,), 9: (6,), 11: (7,)}


@dataclass(frozen=True)
class Fingerboard:
    """An instrument as tuned.

    Attributes
    ----------
    instrument : "violin", "viola" or "cello".
    strings : usual names of the strings, lowest first; a retuned string keeps its name.
    open_midi : sounding pitch of each open string at the reference pitch, fractional MIDI.
    length_mm : vibrating length of the strings.
    """

    instrument: str
    strings: tuple[str, ...]
    open_midi: tuple[float, ...]
    length_mm: float

    @property
    def highest_place(self) -> int:
        """Highest place of the first finger that is looked for, in semitones above the open string."""
        return HIGHEST_PLACE[self.instrument]

    def distance_mm(self, semitones: float) -> float:
        """Distance from the nut to the stop that sounds ``semitones`` above the open string."""
        return float(self.length_mm * (1.0 - ratio_of_semitones(-semitones)))

    def stretch_mm(self, place: float, offset: float) -> float:
        """Distance from the first finger at ``place`` to a finger ``offset`` semitones above it."""
        return self.distance_mm(place + offset) - self.distance_mm(place)


@dataclass(frozen=True)
class Stop:
    """One way to make one pitch: string index, finger (0 open), place of the first finger, where the finger is.

    ``stop`` is where the finger stands or touches, in semitones above the open string; ``sounding`` what it
    makes; they differ for a natural harmonic only, where the string is touched and not pressed down.
    ``strained`` counts the semitones out of the usual frame.
    """

    string: int
    finger: int
    place: int
    stop: int
    sounding: int
    strained: int
    harmonic: bool


def fingerboard(instrument: str, *, open_midi: tuple[float, ...] | None = None) -> Fingerboard:
    """The instrument with its usual tuning, or with the given open strings (scordatura), lowest first.

    Raises
    ------
    ValueError
        If the instrument is unknown or the number of open strings is not that of the instrument.
    """
    if instrument not in INSTRUMENTS:
        raise ValueError(f"instrument {instrument!r}: use one of {', '.join(INSTRUMENTS)}")
    known = INSTRUMENTS[instrument]
    tuned = tuple(float(m) for m in (known.open_midi if open_midi is None else open_midi))
    if len(tuned) != len(known.strings):
        raise ValueError(f"{instrument}: {len(tuned)} open strings given; it has {len(known.strings)}")
    return Fingerboard(instrument, known.strings, tuned, STRING_LENGTH_MM[instrument])


@cache
def position_number(place: int) -> int:
    """Usual number of the position whose first finger stands ``place`` semitones above the open string.

    First position has it a semitone or tone above the open string, third a fourth, fifth a minor or major sixth
    (letter names of the notes on the A string: B is 1, D is 3, F is 5).
    """
    octave, rest = divmod(place, 12)
    return 7 * octave + _STEPS[rest]


def position_numbers(place: int) -> tuple[int, ...]:
    """All numbers that the position may go by, the usual one first; half position is 0."""
    octave, rest = divmod(place, 12)
    return (position_number(place), *(7 * octave + step for step in _ALSO.get(rest, ())))


def offsets(board: Fingerboard, *, place: int, finger: int) -> dict[int, int]:
    """Offsets in semitones that ``finger`` reaches from a hand at ``place``, with the strain of each.

    The strain is 0 in the usual frame and counts semitones out of it; what would stretch the hand too far in mm
    is left out.
    """
    frames = ["fourth"]
    if board.instrument == "cello":
        frames = (["third"] if place <= LAST_NECK_PLACE else []) + (["thumb"] if place >= THUMB_FROM else [])
    found: dict[int, int] = {}
    for frame in frames:
        usual, strained = _FRAMES[frame].get(finger, ((), ()))
        for offset in usual:
            found[offset] = 0
        for offset in strained:
            far = min((abs(offset - each) for each in usual), default=1)
            found[offset] = min(found.get(offset, far), far)
    longest = LONGEST_STRETCH_MM[board.instrument]
    return {o: s for o, s in sorted(found.items()) if place + o > 0 and board.stretch_mm(place, o) <= longest}


def stopping_fingers(board: Fingerboard) -> tuple[int, ...]:
    """The fingers that stop strings."""
    return (*FINGERS, THUMB) if board.instrument == "cello" else FINGERS


def close_places(board: Fingerboard) -> np.ndarray:
    """(places + 1,) whether the fingers stand a semitone apart there: the cellist's hand on the neck."""
    places = np.arange(board.highest_place + 1)
    found: np.ndarray = (board.instrument == "cello") & (places < THUMB_FROM)
    return found


@lru_cache(maxsize=1024)
def stops(board: Fingerboard, *, string: int, sounding: int) -> tuple[Stop, ...]:
    """Every way to make the pitch ``sounding`` semitones above an open string, natural harmonics included.

    For the open string itself there is one for each place where the hand may stand meanwhile.
    """
    if sounding < 0:
        return ()
    if sounding == 0:
        places = range(min(board.highest_place, FREE_PLACE) + 1)
        return tuple(Stop(string, OPEN, place, 0, 0, 0, False) for place in places)
    found = []
    touched = [(sounding, False)] + [(touch, True) for touch in HARMONICS.get(sounding, ())]
    for at, harmonic in touched:
        for finger in stopping_fingers(board):
            for place in range(max(0, at - LARGEST_OFFSET), min(at - SMALLEST_OFFSET, board.highest_place) + 1):
                strain = offsets(board, place=place, finger=finger).get(at - place)
                if strain is not None and not (harmonic and strain):
                    found.append(Stop(string, finger, place, at, sounding, strain, harmonic))
    stopped = sounding - ARTIFICIAL
    if board.instrument == "cello":
        # The thumb stops and the third finger touches (common practice).
        if THUMB_FROM <= stopped + 2 <= board.highest_place:
            found.append(Stop(string, THUMB, stopped + 2, stopped, sounding, 0, True))
    elif 0 < stopped <= board.highest_place:
        found.append(Stop(string, 1, stopped, stopped, sounding, 0, True))
    return tuple(found)


def double_stops(board: Fingerboard, *, lower_midi: float, upper_midi: float) -> list[tuple[Stop, Stop]]:
    """Ways to sound two pitches at once; see ``chord_ways``."""
    return [(a, b) for a, b in chord_ways(board, (round(lower_midi), round(upper_midi)))]


@lru_cache(maxsize=4096)
def chord_ways(board: Fingerboard, midi: tuple[int, ...]) -> tuple[tuple[Stop, ...], ...]:
    """Ways to sound pitches at once, a stop for each: neighbouring strings, one hand place, no finger on two stops.

    One finger may stop a fifth across two strings; an open string leaves the hand where the other stops are.
    ``midi`` are sounding pitches, whole semitones above the open strings as tuned (rounded).
    """
    found: list[tuple[Stop, ...]] = []
    for lowest in range(len(board.strings) - len(midi) + 1):
        for strings in permutations(range(lowest, lowest + len(midi))):
            stops_at = [
                _stops_together(board, s, round(m - board.open_midi[s])) for s, m in zip(strings, midi, strict=True)
            ]
            for place in sorted(set.intersection(*(set(at) for at in stops_at))):
                for way in product(*(at[place] for at in stops_at)):
                    if all(_together(board, a, b) for a, b in combinations(way, 2)):
                        found.append(way)
    return tuple(found)


@lru_cache(maxsize=1024)
def _stops_together(board: Fingerboard, string: int, sounding: int) -> dict[int, list[Stop]]:
    """Stops of a pitch that others may sound with, by the place of the hand."""
    found: dict[int, list[Stop]] = {}
    for stop in (*stops(board, string=string, sounding=sounding), *_stretched(board, string, sounding)):
        if not stop.harmonic:
            found.setdefault(stop.place, []).append(stop)
    return found


def _stretched(board: Fingerboard, string: int, sounding: int) -> list[Stop]:
    """The fourth finger stretched as only double stops ask."""
    return [
        Stop(string, 4, sounding - offset, sounding, sounding, offset - 5, False)
        for offset in TENTH_OFFSETS
        if sounding > offset
        and board.instrument != "cello"
        and board.stretch_mm(sounding - offset, offset) <= LONGEST_STRETCH_MM[board.instrument]
    ]


def _together(board: Fingerboard, a: Stop, b: Stop) -> bool:
    if a.harmonic or b.harmonic or a.place != b.place:
        return False
    if OPEN in (a.finger, b.finger):
        return True
    if a.finger == b.finger:
        return a.stop == b.stop
    if (a.finger % THUMB < b.finger % THUMB) != (a.stop < b.stop) and a.stop != b.stop:
        return False
    low, high = sorted((a.stop, b.stop))
    return board.stretch_mm(low, high - low) <= LONGEST_STRETCH_MM[board.instrument]


@dataclass(frozen=True)
class StopTable:
    """All stops of a fingerboard as arrays, one entry a stop, sorted by string and sounding semitone.

    ``first`` (strings, highest + 2) gives where the stops of each string and sounding semitone begin.
    ``reach`` (places + 1, fingers + 1, offsets from ``SMALLEST_OFFSET`` up) weighs the offsets of each finger at
    each place; each row sums to 1, or is 0 where the finger cannot be used.
    """

    string: np.ndarray
    finger: np.ndarray
    place: np.ndarray
    stop: np.ndarray
    sounding: np.ndarray
    strained: np.ndarray
    harmonic: np.ndarray
    first: np.ndarray
    reach: Floats
    highest: int


@lru_cache(maxsize=32)
def stop_table(board: Fingerboard) -> StopTable:
    """Every stop of the fingerboard; in ``reach`` each semitone out of the frame weighs ``STRAINED_WEIGHT``."""
    highest = board.highest_place + max(LARGEST_OFFSET, ARTIFICIAL // 2)
    found: list[Stop] = []
    first = np.zeros((len(board.strings), highest + 2), dtype=np.int64)
    for string in range(len(board.strings)):
        for sounding in range(highest + 1):
            first[string, sounding] = len(found)
            found += stops(board, string=string, sounding=sounding)
        first[string, highest + 1] = len(found)
    fingers = stopping_fingers(board)
    reach = np.zeros((board.highest_place + 1, 1 + len(fingers), LARGEST_OFFSET - SMALLEST_OFFSET + 1))
    for place in range(board.highest_place + 1):
        for finger in fingers:
            for offset, strain in offsets(board, place=place, finger=finger).items():
                reach[place, finger, offset - SMALLEST_OFFSET] = STRAINED_WEIGHT**strain
            total = reach[place, finger].sum()
            reach[place, finger] /= total if total > 0 else 1.0

    def column(values: list[int]) -> np.ndarray:
        return np.array(values, dtype=np.int64)

    return StopTable(
        string=column([s.string for s in found]),
        finger=column([s.finger for s in found]),
        place=column([s.place for s in found]),
        stop=column([s.stop for s in found]),
        sounding=column([s.sounding for s in found]),
        strained=column([s.strained for s in found]),
        harmonic=np.array([s.harmonic for s in found], dtype=np.bool_),
        first=first,
        reach=reach,
        highest=highest,
    )
