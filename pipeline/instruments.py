"""The instruments: open strings and compass, from which search range, window and hand frame follow."""

from dataclasses import dataclass

THUMB = 5
"""The cellist's thumb among the fingers, 0 being the open string. It stands below the first finger: up a string fingers
follow one another as their numbers modulo this."""


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
