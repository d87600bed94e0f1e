"""The instruments: open strings and compass, from which search range, window and hand frame follow."""

import re
from dataclasses import dataclass

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_PITCH = re.compile("([A-G])(b|#)?([0-9])")


@dataclass(frozen=True)
class Instrument:
    """A bowed string instrument.

    Attributes
    ----------
    name : the name used in ``performance.instrument``.
    strings : string names, lowest first.
    open_midi : MIDI numbers of the open strings, lowest first (common practice: tuned in fifths).
    highest_midi : highest stopped note looked for.
    frame_semitones : usual span from first to fourth finger in one hand position.
    """

    name: str
    strings: tuple[str, ...]
    open_midi: tuple[int, ...]
    highest_midi: int
    frame_semitones: int

    @property
    def lowest_midi(self) -> int:
        """The lowest open string."""
        return self.open_midi[0]


INSTRUMENTS: dict[str, Instrument] = {
    "violin": Instrument("violin", ("G", "D", "A", "E"), (55, 62, 69, 76), 103, 5),
    "viola": Instrument("viola", ("C", "G", "D", "A"), (48, 55, 62, 69), 96, 5),
    "cello": Instrument("cello", ("C", "G", "D", "A"), (36, 43, 50, 57), 86, 3),
}


def open_strings(tuning: str) -> tuple[float, ...]:
    """MIDI numbers of open strings written like "G3 D4 A4 E5", lowest first; A4 is 69."""
    found = []
    for word in tuning.split():
        matched = _PITCH.fullmatch(word)
        if matched is None:
            raise ValueError(f"{word!r} is not a pitch; write open strings like G3 D4 A4 E5, lowest first")
        step, accidental, octave = matched.groups()
        found.append(12.0 * (int(octave) + 1) + _STEPS[step] + {"b": -1, "#": 1, None: 0}[accidental])
    return tuple(found)
