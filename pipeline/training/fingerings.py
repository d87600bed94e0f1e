"""Reads note-by-note fingerings of violinists: one CSV file a player and piece, ``PLAYER_PIECE.csv``.

Columns: pitch (MIDI), start and duration in quarter notes, string (1 G to 4 E; with an open string 0 or its own),
position (0 half, 1 first), finger (0 open). The layout is that of the TNUA Violin Fingering Dataset (V.-W. Jen,
Y.-C. Chen and L. Su, "Positioning left-hand movement in violin performance", IUI 2021).
"""

from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.errors import DataError
from pipeline.signal.hand.chain import Ints
from pipeline.signal.hand.fingerboard import fingerboard, position_numbers, stops
from pipeline.units import Floats

QUARTER_S = 0.5
"""Length of a quarter note, as the files give no tempo (common practice, no source)."""
COLUMNS = ("pitch", "duration", "string", "position", "finger")


@dataclass(frozen=True)
class Fingering:
    """A fingered piece of one player.

    Attributes
    ----------
    midi : (n,) pitch of each note.
    length_s : (n,) its length at ``QUARTER_S``.
    string : (n,) index of the string, 0 the lowest.
    finger : (n,) 0 for the open string.
    position : (n,) number of the position as written down; -1 where none is.
    place : (n,) where the hand stands, in semitones above the open string; -1 with an open string.
    """

    player: str
    piece: str
    midi: Ints
    length_s: Floats
    string: Ints
    finger: Ints
    position: Ints
    place: Ints
    instrument: str = "violin"

    def misread(self) -> np.ndarray:
        """(n,) whether a note lies below the string that it is written down for: a slip of the pen, not a stop."""
        opened = np.array(fingerboard(self.instrument).open_midi)
        above = self.midi - opened[self.string]
        wrong: np.ndarray = (above < 0) | ((above == 0) != (self.finger == 0))
        return wrong


def read_fingerings(folder: Path) -> list[Fingering]:
    """Every fingering in a folder, by player and piece.

    Raises
    ------
    DataError
        If there is none, or a file lacks a column.
    """
    paths = sorted(folder.glob("*_*.csv"))
    if not paths:
        raise DataError(f"{folder}: no file PLAYER_PIECE.csv", "give the folder of the fingerings")
    return [_read(path) for path in paths]


def _read(path: Path) -> Fingering:
    table = pl.read_csv(path, infer_schema_length=None)
    missing = [name for name in COLUMNS if name not in table.columns]
    if missing:
        raise DataError(f"{path}: has no column {', '.join(missing)}", f"it needs {', '.join(COLUMNS)}")
    pitch, duration, string, position, finger = (table[name].cast(pl.Float64).to_numpy() for name in COLUMNS)
    player, piece = path.stem.split("_", maxsplit=1)
    midi = pitch.round().astype(np.int64)
    opened = np.array(fingerboard("violin").open_midi)
    index = string.astype(np.int64) - 1
    unnamed = index < 0
    index[unnamed] = np.argmin(np.abs(midi[unnamed, None] - opened[None, :]), axis=1)
    length_s = np.maximum(duration, 1.0 / 32.0) * QUARTER_S
    own = (index, finger.astype(np.int64), position.astype(np.int64))
    return Fingering(player, piece, midi, length_s, *own, places(midi, *own))


def places(midi: Ints, string: Ints, finger: Ints, position: Ints) -> Ints:
    """(n,) where the hand stands, in semitones above the open string; -1 with an open string.

    Of the places that go by the position written down the one with the hand in its usual frame, then the nearest to
    the place before; the position is passed over where it cannot be meant.
    """
    board = fingerboard("violin")
    found = np.full(midi.size, -1, dtype=np.int64)
    last = 2
    for i in np.flatnonzero(finger > 0):
        sounding = int(midi[i] - board.open_midi[string[i]])
        ways = [s for s in stops(board, string=int(string[i]), sounding=sounding) if s.finger == finger[i]]
        named = [s for s in ways if position[i] in position_numbers(s.place)]
        if named or ways:
            last = min(named or ways, key=lambda s: (s.strained, abs(s.place - last))).place
        else:
            last = max(sounding - 2 * (int(finger[i]) - 1), 0)
        found[i] = last
    return found


def laid_beside(one: Fingering, other: Fingering) -> Ints:
    """For each note of ``one`` the same note of ``other`` of the same piece, or -1."""
    found = np.full(one.midi.size, -1, dtype=np.int64)
    same = SequenceMatcher(None, one.midi.tolist(), other.midi.tolist(), autojunk=False)
    for a, b, size in same.get_matching_blocks():
        found[a : a + size] = np.arange(b, b + size)
    return found
