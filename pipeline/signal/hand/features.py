"""What the choice of a fingering depends on, as named features of single stops and of moves from stop to stop.

The chain is log-linear: the log weight of a way through a passage is the sum, over its stops and moves, of the weights
of the features that they have. Weights are learned from fingerings of professionals (``pipeline.training.fingers``);
``weights`` holds them. Each has a value at a middling tempo and a change for each doubling of the time, so that quick
notes may be fingered otherwise than slow ones. Features are physical, places, fingers, strings, distances, so that
what is learned from one repertoire means the same in another.

A stop is handed on as (string, finger, place, stop), the last two in semitones above the open string.
"""

import numpy as np
from scipy.special import softmax

from pipeline.compiled import compiled
from pipeline.instruments import THUMB
from pipeline.signal.hand.fingerboard import (
    ARTIFICIAL,
    THUMB_FROM,
    Fingerboard,
    StopTable,
    offsets,
    stopping_fingers,
)
from pipeline.units import Floats

MIDDLING_S = 0.3
"""Length of a note, or time between two, at which the change by tempo is nil."""
SLOWEST_DOUBLINGS = 2.0  # slower than four times the middling tempo nothing changes (common practice, no source)

# Places of the hand that have a weight of their own; fingers out of their frame, by finger and semitones.
_PLACES = (0, 1, 3, 4, 5, 6, 7, 8, 9, 10, 12)
_ODD = ((1, -1), (2, -1), (2, 1), (3, -1), (3, 1), (4, -2), (4, -1), (4, 1), (4, 2))
_NTH = {1: "first", 2: "second", 3: "third", 4: "fourth"}

# What a stop is judged by: name and words.
STOP_FEATURES: tuple[tuple[str, str], ...] = (
    ("open", "open string, but for the top one"),
    ("open_top", "open top string"),
    ("finger_2", "second finger rather than first"),
    ("finger_3", "third finger rather than first"),
    ("finger_4", "fourth finger rather than first"),
    ("finger_4_top", "fourth finger on the top string"),
    ("lowest_string", "lowest string rather than the top one"),
    ("third_string", "third string (violin D) rather than the top one"),
    ("second_string", "second string (violin A) rather than the top one"),
    ("above_fifth", "each semitone above a fifth, on any string but the top one"),
    ("above_octave", "each further semitone above an octave, on any string but the top one"),
    ("above_fifth_low", "each semitone above a fifth, on the two lowest strings"),
    *((f"place_{p}", f"hand {p} semitones up the string, rather than 2 (first position)") for p in _PLACES[:-2]),
    ("place_10", "hand 10 or 11 semitones up the string"),
    ("place_12", "hand 12 or more semitones up the string"),
    ("above_place_12", "each semitone of that above 12"),
    ("off_scale", "first finger would stand off the scale of the notes around"),
    *(
        (
            f"finger_{f}_{'up' if d > 0 else 'down'}_{abs(d)}",
            f"{_NTH[f]} finger {abs(d)} semitone{'s' * (abs(d) > 1)} {'above' if d > 0 else 'below'} its frame",
        )
        for f, d in _ODD
    ),
    ("low_second", "second finger a semitone above the first"),
    ("low_third", "third finger a minor third above the first"),
    ("octave_harmonic", "natural harmonic at the octave"),
    ("natural_harmonic", "another natural harmonic"),
    ("artificial_harmonic", "artificial harmonic (first finger stops, fourth touches; on the cello thumb and third)"),
    ("finger_1_trough", "first finger on a note below both its neighbours"),
    ("finger_2_trough", "second finger on a note below both its neighbours"),
    ("finger_4_peak", "fourth finger on a note above both its neighbours"),
    ("finger_4_before_higher", "fourth finger before a higher note"),
    ("thumb", "cello: hand in thumb position"),
    ("finger_thumb", "cello: thumb rather than first finger"),
    ("thumb_off", "cello: thumb a semitone or a minor third below the first finger rather than a whole tone"),
)
STOP_NAMES = tuple(name for name, _ in STOP_FEATURES)

MOVE_FEATURES: tuple[tuple[str, str], ...] = (
    ("creep", "hand moves by a semitone, rather than stays"),
    ("shift_2", "hand shifts by 2 semitones, rather than stays"),
    ("shift_3", "hand shifts by 3 semitones"),
    ("shift_4", "hand shifts by 4 semitones"),
    ("shift_5", "hand shifts by 5 semitones"),
    ("shift_6", "hand shifts by 6 or 7 semitones"),
    ("shift_8", "hand shifts by 8 to 12 semitones"),
    ("shift_13", "hand shifts by more than an octave"),
    ("shift_by_open", "shift while an open string sounds before or after it"),
    ("creep_by_open", "move by a semitone while an open string sounds before or after it"),
    ("shift_across", "shift that ends on another string"),
    ("creep_across", "move by a semitone to another string"),
    ("next_string", "to the next string, rather than along one"),
    ("two_strings", "over one string to the next but one"),
    ("three_strings", "over two strings"),
    ("crossing_contrary", "to a lower string for a higher note, or the reverse"),
    ("shift_contrary", "hand shifts down for a higher note, or the reverse"),
    ("same_finger_creep", "the same finger slides by a semitone, hand and all"),
    ("same_finger_shift", "the same finger carries the shift"),
    ("same_finger_still", "the same finger takes another note while the hand stays"),
    ("finger_across_fifth", "the same finger crosses to the same place on another string"),
    ("finger_hop", "the same finger hops to another place on another string"),
    ("other_finger_again", "repeated note taken with another finger"),
    ("other_string_again", "repeated note taken on another string"),
    ("land_up_2", "shift upwards that lands on the second finger, rather than the first"),
    ("land_up_3", "shift upwards that lands on the third finger"),
    ("land_up_4", "shift upwards that lands on the fourth finger"),
    ("land_down_1", "shift downwards that lands on the first finger, rather than the fourth"),
    ("land_down_2", "shift downwards that lands on the second finger"),
    ("land_down_3", "shift downwards that lands on the third finger"),
    ("leave_up_2", "shift upwards that leaves from the second finger, rather than the first"),
    ("leave_up_3", "shift upwards that leaves from the third finger"),
    ("leave_up_4", "shift upwards that leaves from the fourth finger"),
    ("leave_down_2", "shift downwards that leaves from the second finger, rather than the first"),
    ("leave_down_3", "shift downwards that leaves from the third finger"),
    ("leave_down_4", "shift downwards that leaves from the fourth finger"),
    ("shift_for_a_step", "shift for an interval of no more than a whole tone"),
    ("fingers_cross", "higher finger on the lower of two notes of a string, the hand moving by a semitone"),
    ("semitone_across", "semitone taken across two strings"),
    ("tone_across", "whole tone taken across two strings"),
    ("third_across", "third taken across two strings"),
    ("leap_along", "leap of more than a fifth along one string"),
    ("shift_for_a_third", "shift for an interval of a third"),
    ("wide_pair", "neighbouring fingers a minor third or more apart, the hand in place"),
    ("close_pair", "fingers next but one a whole tone or less apart, the hand in place"),
    ("higher_lands_down", "shift down a string that lands on a higher finger"),
    ("lower_lands_up", "shift up a string that lands on a lower finger"),
    ("upper_pair_tone", "cello: second and third or third and fourth finger a whole tone apart on the neck, in place"),
)
MOVE_NAMES = tuple(name for name, _ in MOVE_FEATURES)
MOST_AT_ONCE = 14
"""More features than any one move has."""

_AT = {name: k for k, name in enumerate(MOVE_NAMES)}
_CREEP, _SHIFT, _BY_OPEN, _CREEP_BY_OPEN = (_AT[n] for n in ("creep", "shift_2", "shift_by_open", "creep_by_open"))
_ACROSS, _CREEP_ACROSS, _NEXT = (_AT[n] for n in ("shift_across", "creep_across", "next_string"))
_CROSSING_CONTRARY, _SHIFT_CONTRARY = _AT["crossing_contrary"], _AT["shift_contrary"]
_SAME_CREEP, _SAME_SHIFT, _SAME_STILL = (_AT[f"same_finger_{n}"] for n in ("creep", "shift", "still"))
_FIFTH, _HOP = _AT["finger_across_fifth"], _AT["finger_hop"]
_OTHER_FINGER, _OTHER_STRING = _AT["other_finger_again"], _AT["other_string_again"]
_LAND_UP, _LAND_DOWN, _LEAVE_UP, _LEAVE_DOWN = (
    _AT[n] for n in ("land_up_2", "land_down_1", "leave_up_2", "leave_down_2")
)
_FOR_A_STEP, _FINGERS_CROSS = _AT["shift_for_a_step"], _AT["fingers_cross"]
_SEMITONE_ACROSS, _TONE_ACROSS = _AT["semitone_across"], _AT["tone_across"]
_THIRD_ACROSS, _LEAP_ALONG, _FOR_A_THIRD = (_AT[n] for n in ("third_across", "leap_along", "shift_for_a_third"))
_WIDE_PAIR, _CLOSE_PAIR = _AT["wide_pair"], _AT["close_pair"]
_HIGHER_DOWN, _LOWER_UP = _AT["higher_lands_down"], _AT["lower_lands_up"]
_UPPER_PAIR_TONE = _AT["upper_pair_tone"]

OFF_SCALE_NOTES, RAISED_SEVENTH = 0.05, 0.3
"""Share of notes foreign to the scale, and the odds of a harmonic minor scale against a major one (no source)."""
SCALE_NOTES = 20
"""Notes to either side whose scale a note is held to be in: music modulates (common practice, no source)."""


def doublings(length_s: Floats) -> Floats:
    """How many times as long as ``MIDDLING_S`` a note or interval is, as a power of 2, from -2 to 2."""
    bounded: Floats = np.clip(np.log2(np.maximum(length_s, 1e-3) / MIDDLING_S), -SLOWEST_DOUBLINGS, SLOWEST_DOUBLINGS)
    return bounded


def scale_membership(midi: Floats, *, notes: int = SCALE_NOTES) -> Floats:
    """Probability (n, 12) that each pitch class, C first, belongs to the scale around each note.

    Major scales, and minor ones with a raised seventh, are weighed by how many of the ``notes`` before and after a
    note they hold.
    """
    scales = np.zeros((24, 12))
    for tonic in range(12):
        scales[tonic, [(tonic + step) % 12 for step in (0, 2, 4, 5, 7, 9, 11)]] = 1.0
        scales[12 + tonic, [(tonic + step) % 12 for step in (0, 2, 3, 5, 7, 8, 11)]] = 1.0
    n = midi.size
    so_far = np.zeros((n + 1, 12))
    known = np.flatnonzero(np.isfinite(midi))
    so_far[known + 1, np.round(midi[known]).astype(np.int64) % 12] = 1.0
    so_far = so_far.cumsum(axis=0)
    at = np.arange(n)
    counts = so_far[np.minimum(at + notes + 1, n)] - so_far[np.maximum(at - notes, 0)]
    inside, outside = np.log((1.0 - OFF_SCALE_NOTES) / 7.0), np.log(OFF_SCALE_NOTES / 5.0)
    logs = counts @ (scales * inside + (1.0 - scales) * outside).T
    logs[:, 12:] += np.log(RAISED_SEVENTH)
    membership: Floats = softmax(logs, axis=1) @ scales
    return membership


def stop_features(board: Fingerboard, table: StopTable) -> Floats:
    """Features of every stop of the table, (stops, len(STOP_NAMES)); what hangs on the notes is 0 here."""
    found = np.zeros((table.string.size, len(STOP_NAMES)))
    column = {name: found[:, k] for k, name in enumerate(STOP_NAMES)}
    finger, place, stop = table.finger, table.place, table.stop
    from_top = len(board.strings) - 1 - table.string
    pressed = finger > 0
    column["open"][:] = ~pressed & (from_top > 0)
    column["open_top"][:] = ~pressed & (from_top == 0)
    for each in (2, 3, 4):
        column[f"finger_{each}"][:] = finger == each
    column["finger_4_top"][:] = (finger == 4) & (from_top == 0)
    for name, strings in (("second_string", 1), ("third_string", 2), ("lowest_string", 3)):
        column[name][:] = from_top == strings
    column["above_fifth"][:] = np.where(pressed & (from_top > 0), np.maximum(stop - 7, 0), 0)
    column["above_octave"][:] = np.where(pressed & (from_top > 0), np.maximum(stop - 12, 0), 0)
    column["above_fifth_low"][:] = np.where(pressed & (from_top > 1), np.maximum(stop - 7, 0), 0)
    for p in _PLACES[:-2]:
        column[f"place_{p}"][:] = place == p
    column["place_10"][:] = (place == 10) | (place == 11)
    column["place_12"][:] = place >= 12
    column["above_place_12"][:] = np.maximum(place - 12, 0)
    strained = np.where(_below_frame(board, table), -table.strained, table.strained)
    for f, d in _ODD:
        beyond = strained >= d if d == 2 else strained == d
        column[f"finger_{f}_{'up' if d > 0 else 'down'}_{abs(d)}"][:] = (finger == f) & beyond
    violin_frame = board.instrument != "cello"
    column["low_second"][:] = violin_frame & (finger == 2) & (stop - place == 1)
    column["low_third"][:] = violin_frame & (finger == 3) & (stop - place == 3)
    artificial = table.harmonic & (table.sounding - stop == ARTIFICIAL)
    column["artificial_harmonic"][:] = artificial
    column["octave_harmonic"][:] = table.harmonic & (stop == 12)
    column["natural_harmonic"][:] = table.harmonic & (stop != 12) & ~artificial
    column["thumb"][:] = (board.instrument == "cello") & (place >= THUMB_FROM)
    column["finger_thumb"][:] = finger == THUMB
    column["thumb_off"][:] = (finger == THUMB) & (stop - place != -2)
    return found


def _below_frame(board: Fingerboard, table: StopTable) -> np.ndarray:
    """Whether each stop lies below the usual frame of its finger rather than above it."""
    lowest = {
        (finger, place): min((o for o, s in offsets(board, place=place, finger=finger).items() if s == 0), default=0)
        for finger in stopping_fingers(board)
        for place in range(board.highest_place + 1)
    }
    return np.array(
        [
            stop - place < lowest.get((finger, place), 0)
            for finger, place, stop in zip(table.finger, table.place, table.stop, strict=True)
        ]
    )


@compiled()
def move_features(  # type: ignore[no-untyped-def]
    one: tuple[int, int, int, int], other: tuple[int, int, int, int], rise: int, close: bool, out
) -> int:
    """Write which of ``MOVE_FEATURES`` a move has into ``out`` and give their number; -1 where no hand can make it.

    ``rise`` is the interval in whole semitones; ``close`` says that fingers stand a semitone apart at the place of
    ``other``. Within one place of the hand the higher finger plays the higher note, the thumb the lowest.
    """
    string_a, finger_a, place_a, stop_a = one
    string_b, finger_b, place_b, stop_b = other
    moved = abs(place_b - place_a)
    crossed = abs(string_b - string_a)
    stopped = finger_a > 0 and finger_b > 0
    finger_a, finger_b = finger_a % THUMB, finger_b % THUMB
    count = 0
    fingered = stopped and crossed == 0 and moved <= 1 and finger_a != finger_b and stop_a != stop_b
    if fingered and (finger_b > finger_a) != (stop_b > stop_a):
        if moved == 0:
            return -1
        out[count] = _FINGERS_CROSS
        count += 1
    elif fingered:
        apart, fingers = abs(stop_b - stop_a), abs(finger_b - finger_a)
        if fingers == 1 and apart >= 3:
            out[count] = _WIDE_PAIR
            count += 1
        elif close and fingers == 1 and apart == 2 and finger_a + finger_b > 3:
            # The cellist's hand extends between first and second finger (common practice).
            out[count] = _UPPER_PAIR_TONE
            count += 1
        elif fingers == 2 and apart <= 2:
            out[count] = _CLOSE_PAIR
            count += 1
    if moved == 1:
        out[count] = _CREEP
        count += 1
        if not stopped or crossed > 0:
            out[count] = _CREEP_ACROSS if stopped else _CREEP_BY_OPEN
            count += 1
    elif moved > 1:
        size = moved - 2
        if moved >= 6:
            size = 4
        if moved >= 8:
            size = 5
        if moved >= 13:
            size = 6
        out[count] = _SHIFT + size
        count += 1
        if not stopped or crossed > 0:
            out[count] = _ACROSS if stopped else _BY_OPEN
            count += 1
        if (place_b - place_a) * rise < 0:
            out[count] = _SHIFT_CONTRARY
            count += 1
        if stopped:
            up = place_b > place_a
            if up and finger_b > 1:
                out[count] = _LAND_UP + finger_b - 2
                count += 1
            elif not up and 0 < finger_b < 4:
                out[count] = _LAND_DOWN + finger_b - 1
                count += 1
            if finger_a > 1:
                out[count] = (_LEAVE_UP if up else _LEAVE_DOWN) + finger_a - 2
                count += 1
            if 0 < abs(rise) <= 2:
                out[count] = _FOR_A_STEP
                count += 1
            elif 2 < abs(rise) <= 4:
                out[count] = _FOR_A_THIRD
                count += 1
            if crossed == 0 and up and finger_b < finger_a:
                out[count] = _LOWER_UP
                count += 1
            elif crossed == 0 and not up and finger_b > finger_a:
                out[count] = _HIGHER_DOWN
                count += 1
    if crossed > 0:
        out[count] = _NEXT + crossed - 1
        count += 1
        if (string_b - string_a) * rise < 0:
            out[count] = _CROSSING_CONTRARY
            count += 1
        if abs(rise) == 1 or abs(rise) == 2:
            out[count] = _SEMITONE_ACROSS if abs(rise) == 1 else _TONE_ACROSS
            count += 1
        elif 2 < abs(rise) <= 4:
            out[count] = _THIRD_ACROSS
            count += 1
    elif abs(rise) > 7:
        out[count] = _LEAP_ALONG
        count += 1
    if stopped and finger_a == finger_b:
        if crossed == 0 and stop_a != stop_b:
            out[count] = _SAME_SHIFT if moved > 1 else _SAME_CREEP if moved == 1 else _SAME_STILL
            count += 1
        elif crossed > 0 and moved <= 1:
            out[count] = _FIFTH if stop_a == stop_b else _HOP
            count += 1
    if rise == 0 and (crossed > 0 or finger_a != finger_b):
        out[count] = _OTHER_STRING if crossed > 0 else _OTHER_FINGER
        count += 1
    return count
