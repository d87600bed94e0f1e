"""Pitches by name, and keys by signature: letters, accidentals and octaves; A4 is MIDI 69."""

import re

from pipeline.errors import DataError

STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
ALTER_NAMES = {-2.0: "bb", -1.0: "b", 0.0: "", 1.0: "#", 2.0: "##"}
FIFTHS = "FCGDAEB"
"""Letters along the line of fifths: in the order in which sharps come into a signature, flats from the end."""
MOST_FIFTHS = 7
_NAME = re.compile("([A-Ga-g])(bb|b|##|#|x)?(-?[0-9])")
_PRINTED = str.maketrans("♭♯", "b#")
_KEY = re.compile("([A-G]) ?(b|flat|♭|#|sharp|♯)?(?: (major|minor))?")
_SIGNS = {None: 0, "b": -1, "flat": -1, "♭": -1, "#": 1, "sharp": 1, "♯": 1}
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


def name_of(midi: float, signature: int | None = None) -> str:
    """Name of the nearest note as a signature spells it: 78.1 is F#5, and Gb5 under five flats.

    ``signature`` counts sharps, flats negative; None as for none. Along the line of fifths names reach from the lowered
    third of the major key to the raised fifth, which is the leading note of the minor key. Common theory, from memory.
    """
    nearest = round(midi)
    lowest = (signature or 0) - 2  # fifths from F
    place = lowest + (7 * (nearest - 5) - lowest) % 12
    letter, alter = FIFTHS[place % 7], place // 7
    return f"{letter}{ALTER_NAMES[float(alter)]}{(nearest - STEPS[letter] - alter) // 12 - 1}"


def altered_by(signature: int | None) -> dict[str, int]:
    """The letters that a signature raises (1) or lowers (-1)."""
    count = signature or 0
    return dict.fromkeys(FIFTHS[:count], 1) if count > 0 else dict.fromkeys(FIFTHS[count:] if count else "", -1)


def signature_of(key: str | None) -> int | None:
    """Sharps of a key written like A minor or B flat major, flats negative; None where that is no key with one."""
    matched = _KEY.fullmatch((key or "").strip())
    if matched is None:
        return None
    letter, sign, mode = matched.groups()
    count = FIFTHS.index(letter) - 1 + 7 * _SIGNS[sign] - (3 if mode == "minor" else 0)
    return count if abs(count) <= MOST_FIFTHS else None
