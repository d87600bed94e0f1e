"""Scales, arpeggios and broken thirds as handbooks finger them (common practice, from memory).

What pieces seldom have, whole scales through three octaves or within one position, is much of what students and etudes
play; and of cellists no other fingerings are at hand.
"""

import numpy as np

from pipeline.instruments import THUMB
from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.training.fingerings import Fingering

PLAYER = "handbook"
NOTE_S = 0.3
"""Length of each note: a middling tempo."""

# Strings, fingers (T the thumb) and semitones above the open string, upwards; each is played up and down.
_LINES = {
    "violin": (
        # Within one position, first to fifth.
        "G1=2 G2=4 G3=6 D0=0 D1=2 D2=4 D3=6 A0=0 A1=2 A2=4 A3=5 E0=0 E1=2 E2=4 E3=5",
        "G2=3 G3=5 G4=7 D1=1 D2=3 D3=5 D4=7 A1=1 A2=3 A3=5 A4=6 E1=1 E2=3 E3=5 E4=6",
        "G2=5 G3=7 G4=9 D1=3 D2=5 D3=7 D4=9 A1=3 A2=5 A3=7 A4=8 E1=3 E2=5 E3=7 E4=8",
        "G1=5 G2=7 G3=9 G4=10 D1=5 D2=7 D3=8 D4=10 A1=5 A2=7 A3=8 A4=10 E1=5 E2=6 E3=8",
        "G2=8 G3=10 G4=12 D1=6 D2=8 D3=10 D4=12 A1=6 A2=8 A3=10 A4=11 E1=6 E2=8 E3=10 E4=11",
        "G2=10 G3=12 G4=14 D1=8 D2=10 D3=12 D4=14 A1=8 A2=10 A3=12 A4=13 E1=8 E2=10 E3=12 E4=13",
        # Along one string.
        "G0=0 G1=2 G2=4 G1=5 G2=7 G1=9 G2=11 G3=12",
        "D0=0 D1=2 D2=4 D1=5 D2=7 D1=9 D2=11 D3=12",
        "E1=1 E2=3 E1=5 E2=6 E1=8 E2=10 E3=12 E4=13",
        # Two and three octaves.
        "D0=0 D1=2 D2=4 D3=5 A0=0 A1=2 A2=4 A3=5 E0=0 E1=2 E2=3 E1=5 E2=7 E3=9 E4=10",
        "G2=5 G3=7 G4=9 D1=3 D2=5 D3=7 D4=9 A1=3 A2=5 A1=7 A2=8 A3=10 A4=12"
        " E1=7 E2=8 E1=10 E2=12 E1=13 E2=15 E3=17 E4=19",
        "G1=1 G2=3 G3=5 G4=6 D1=1 D2=3 D3=5 D4=6 A1=1 A2=3 A1=4 A2=6 A3=8 A4=10"
        " E1=4 E2=6 E1=8 E2=9 E1=11 E2=13 E3=15 E4=16",
        "G1=2 G2=4 G3=5 D0=0 D1=2 D2=3 D3=6 A0=0 A1=2 A2=3 A1=5 A2=7 A3=8 A4=11"
        " E1=5 E2=7 E1=8 E2=10 E1=12 E2=13 E3=16 E4=17",
        # Arpeggios and broken thirds.
        "G2=3 G4=7 D2=3 A1=1 A3=5 E1=1 E1=6 E3=10 E1=13 E4=18",
        "D0=0 D2=4 A0=0 A3=5 E1=2 E1=5 E4=10",
        "D1=2 D3=5 A1=2 E0=0 E2=3 E1=7 E4=12",
        "D2=3 A0=0 A2=3 E1=1 E1=5 E3=8 E4=13",
        "G0=0 G2=4 G1=2 G3=5 G2=4 D0=0 G3=5 D1=2 D0=0 D2=4 D1=2 D3=5 D2=4 A0=0 D3=5 A1=2 A0=0 A2=3 A1=2 A3=5",
        "D1=5 D3=9 D2=7 D4=10 D3=9 A1=5 D4=10 A2=7 A1=5 A3=9 A2=7 A4=10",
    ),
    "cello": (
        # First position, plain and extended.
        "G0=0 G1=2 G3=4 G4=5 D0=0 D1=2 D3=4 D4=5",
        "D0=0 D1=2 D3=4 D4=5 A0=0 A1=2 A3=4 A4=5",
        "D1=2 D3=4 D4=5 A0=0 A1=2 A2=3 A4=5",
        "G1=2 G2=4 G4=6 D0=0 D1=2 D2=4 D4=6 A0=0 A1=2 A3=4 A4=5 A1=7 A3=9 A1=11 A2=12",
        "C0=0 C1=2 C2=3 C4=5 G0=0 G1=1 G2=3 G4=5 D0=0 D1=1 D2=3 D4=5",
        "G0=0 G1=2 G2=3 G4=5 D0=0 D1=1 D2=3 D4=5 A0=0 A1=1 A2=3 A4=5",
        # Third and fourth position.
        "G1=5 G3=7 G4=8 D1=5 D3=7 D4=8 A1=5 A3=7 A4=8",
        "G1=7 G2=8 G4=10 D1=7 D3=9 D4=10 A1=7 A3=9 A4=10",
        "D1=7 D2=8 D3=9 D4=10 A1=7 A2=8 A3=9 A4=10",
        # Along one string.
        "G0=0 G1=2 G3=4 G4=5 G1=7 G3=9 G1=11 G2=12",
        "D0=0 D1=2 D3=4 D4=5 D1=7 D3=9 D1=11 D2=12",
        "A1=3 A3=5 A1=7 A2=8 A1=10 A3=12 A1=14 A2=15",
        "A1=1 A1=3 A3=5 A4=6 A1=8 A3=10 A1=12 A2=13",
        # Two octaves.
        "G1=2 G3=4 G4=5 D0=0 D1=2 D2=3 D4=5 A0=0 A1=2 A2=3 A4=5 A1=7 A2=8 A4=10",
        "C1=2 C3=4 C4=5 G0=0 G1=2 G3=4 G4=5 D1=2 D3=4 D4=5 A0=0 A1=2 A3=4 A4=5",
        # Thumb position: across two strings, with a shift by the thumb, and out of the neck positions into it.
        "GT=12 G1=14 G2=16 G3=17 DT=12 D1=14 D2=16 D3=17",
        "DT=12 D1=14 D2=15 D3=17 AT=12 A1=14 A2=15 A3=17",
        "DT=7 D1=9 D2=11 D3=12 AT=7 A1=9 A2=11 A3=12",
        "AT=12 A1=14 A2=16 A3=17 AT=19 A1=21 A2=23 A3=24",
        "A1=2 A3=4 A4=5 A1=7 A3=9 A1=11 A2=12 A1=14 A2=16 A3=17",
        "DT=12 D2=16 AT=12 A2=16 A3=17",
        "DT=12 D3=17 D1=14 AT=12 D2=16 A1=14 D3=17 A2=16 AT=12 A3=17",
        # Arpeggios and broken thirds.
        "G0=0 G3=4 D0=0 D4=5 A1=2 A4=5",
        "C4=5 G1=2 G4=5 D2=3 A0=0 A2=3",
        "G1=2 G4=6 D1=2 A0=0 A3=4",
        "D0=0 D2=3 A0=0 A4=5",
        "C3=4 G0=0 G3=4 D1=2 D4=5 A1=2",
        "D0=0 D3=4 D1=2 D4=5 D3=4 A0=0 D4=5 A1=2 A0=0 A3=4 A1=2 A4=5",
    ),
}


def _finger(name: str) -> int:
    return THUMB if name == "T" else int(name)


def exercises(instrument: str) -> list[Fingering]:
    """Every exercise of an instrument as a piece of the player ``PLAYER``; places are left open."""
    board = fingerboard(instrument)
    opened = np.array(board.open_midi, dtype=np.int64)
    found = []
    for number, line in enumerate(_LINES[instrument], start=1):
        up = [(board.strings.index(word[0]), _finger(word[1]), int(word[3:])) for word in line.split()]
        string, finger, stop = np.array(up + up[-2::-1], dtype=np.int64).T
        open_place = np.full(string.size, -1, dtype=np.int64)
        found.append(
            Fingering(
                player=PLAYER,
                piece=f"exercise {number}",
                midi=opened[string] + stop,
                length_s=np.full(string.size, NOTE_S),
                string=string,
                finger=finger,
                position=open_place,
                place=open_place,
                instrument=instrument,
            )
        )
    return found
