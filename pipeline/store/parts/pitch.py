"""Pitches by name: letters, accidentals and octaves; A4 is MIDI 69."""

import re

from pipeline.errors import DataError

STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
ALTER_NAMES = {-2.0: "bb", -1.0: "b", 0.0: "", 1.0: "#", 2.0: "##"}
_NAME = re.compile("([A-Ga-g])(bb|b|##|#|x)?(-?[0-9])")
_PRINTED = str.maketrans("♭♯", "b#")
_ALTER = {None: 0, "b": -1, "bb": -2, "#": 1, "##": 2, "x": 2}


def midi_of_name(name: str) -> float:
    """MIDI number of a pitch written like F#5 or Bb3; A4 is 69.

    Raises
    ------
    DataError
        If it is not a pitch.
    """
    step, alter, octave = pitch_of_name(name)
    return float(12 * (octave + 1) + STEPS[step] + alter)


def pitch_of_name(name: str) -> tuple[str, int, int]:
    """Letter, accidental in semitones and octave of a pitch written like F#5 or Bb3.

    Raises
    ------
    DataError
        If it is not a pitch.
    """
    matched = _NAME.fullmatch(name.strip().translate(_PRINTED))
    if matched is None:
        raise DataError(f"{name!r} is not a pitch", "write it like F#5 or Bb3, or give a MIDI number")
    step, accidental, octave = matched.groups()
    return step.upper(), _ALTER[accidental], int(octave)
