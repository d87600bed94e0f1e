"""Passages with known fingerings, made without the weights that the reconstruction uses.

Three sources: handbook scales and arpeggios (common practice, from memory); random lines with the fingers of a random
player who knows what comes next (``optimum_path``); melodies fingered by players of
random habits who know nothing of it and hold a position until a note is out of reach or the fancy takes them.
``played_passages`` plays them.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.hand.fingerboard import Fingerboard, fingerboard, offsets, position_number
from pipeline.signal.synth.keys import TONICS, pull_of, scale_of
from pipeline.signal.synth.scale_melodies import melody as melody_of_scale
from tests.helpers.optimum_path import fingering, random_taste


@dataclass(frozen=True)
class Note:
    """One fingered note: string index, finger, hand place (-1 if it says nothing), and whether it is slurred."""

    string: int
    finger: int
    place: int
    midi: int
    slurred: bool
    length_s: float = 0.4
    rest_s: float = 0.0


# Handbook fingerings: (string, fingers and semitones above the open string), in order upward.
_SCALES = {
    "violin": {
        "G major, three octaves": "G0=0 G1=2 G2=4 G3=5 D0=0 D1=2 D2=4 D3=5 A0=0 A1=2 A2=3 A1=5 A2=7 A3=9 A4=10"
        " E1=5 E2=7 E1=8 E2=10 E1=12 E2=14 E3=15",
        "A major, three octaves": "G1=2 G2=4 G3=6 D0=0 D1=2 D2=4 D3=6 A0=0 A1=2 A2=4 A1=5 A2=7 A3=9 A4=11"
        " E1=5 E2=7 E1=9 E2=10 E1=12 E2=14 E3=16 E4=17",
        "B flat major, three octaves": "G2=3 G3=5 G4=7 D1=1 D2=3 D3=5 D4=7 A1=1 A2=3 A1=5 A2=6 A3=8 A4=10"
        " E1=5 E2=6 E1=8 E2=10 E1=11 E2=13 E3=15 E4=17 E4=18",
        "C major, two octaves, first position": "G3=5 D0=0 D1=2 D2=3 D3=5 A0=0 A1=2 A2=3 A3=5 E0=0 E1=1 E2=3 E3=5 E4=7",
        "D major, third position": "D1=5 D2=7 D3=9 D4=10 A1=5 A2=7 A3=9 A4=10 E1=5 E2=7 E3=9 E4=10",
        "E major on the A string": "A1=2 A2=4 A1=6 A2=7 A1=9 A2=11 A3=12 A4=14",
        "G major arpeggio": "G0=0 G2=4 D0=0 D3=5 A1=2 A3=5 E2=3 E1=7 E3=10 E4=15",
        "A major arpeggio": "G1=2 G3=6 D1=2 A0=0 A2=4 E0=0 E1=5 E3=9 E1=12 E4=17",
        "D minor arpeggio": "G4=7 D2=3 A0=0 A3=5 E1=1 E3=5 E1=10 E3=13 E4=17",
    },
    "cello": {
        "C major, two octaves": "C0=0 C1=2 C3=4 C4=5 G0=0 G1=2 G3=4 G4=5 D0=0 D1=2 D2=3 D4=5 A0=0 A1=2 A2=3",
        "G major, two octaves": "G0=0 G1=2 G3=4 G4=5 D0=0 D1=2 D3=4 D4=5 A0=0 A1=2 A2=3 A4=5 A1=7 A3=9 A4=10",
        "D major, two octaves": "D0=0 D1=2 D3=4 D4=5 A0=0 A1=2 A3=4 A4=5 A1=7 A3=9 A4=10 A2=12 A3=14 A1=16 A2=17",
        "F major, two octaves": "C4=5 G0=0 G1=2 G2=3 G4=5 D0=0 D1=2 D2=3 D4=5 A0=0 A1=1 A2=3 A4=5 A1=7 A2=8",
        "A major on the A string": "A0=0 A1=2 A3=4 A4=5 A1=7 A3=9 A1=11 A2=12",
        "C major arpeggio": "C0=0 C3=4 G0=0 G4=5 D1=2 D4=5 A2=3 A1=7 A4=10",
        "D major arpeggio": "D0=0 D3=4 A0=0 A4=5 A3=9 A2=12",
        "fourth position": "D1=7 D2=8 D4=10 A1=7 A3=9 A4=10 A3=9 A1=7 D4=10 D3=9 D1=7",
    },
}


# Kept for judging alone: no weight was chosen by looking at these. The cello's scales in A and B flat, in D from the
# lowest string and in F to third position are those of learn2playcello.com ("Two Octave Scale" lessons); that in E flat
# begins as artistworks.com teaches it ("E flat Major - Scale & Arpeggio").
_JUDGED = {
    "violin": {
        "D major, three octaves": "G1=7 G2=9 G3=11 G4=12 D1=7 D2=9 D3=11 D4=12 A1=7 A2=9 A3=10 A4=12 E1=7 E2=9 E3=10"
        " E1=12 E2=14 E3=15 E1=17 E2=19 E3=21 E4=22",
        "F major, two octaves": "D2=3 D3=5 D4=7 A1=1 A2=3 A3=5 E0=0 E1=1 E2=3 E1=5 E2=6 E1=8 E2=10 E3=12 E4=13",
        "B flat major on the G string": "G2=3 G3=5 G1=7 G2=8 G1=10 G2=12 G3=14 G4=15",
        "G minor arpeggio": "G0=0 G2=3 D0=0 D3=5 A1=1 A1=5 A4=10 E2=6 E4=10 E1=15",
        "E flat major, third position": "D1=1 D2=3 D1=5 D2=6 D3=8 D4=10 A1=5 A2=6 A3=8 A4=10 E1=5 E2=6",
        "C major arpeggio": "G3=5 D1=2 D3=5 A2=3 E0=0 E2=3 E1=8 E1=12 E3=15",
    },
    "cello": {
        "E flat major, two octaves": "C2=3 C4=5 G0=0 G1=1 G2=3 G4=5 D0=0 D1=1 D1=3 D3=5 D4=6 A1=1 A2=3 A4=5 A1=6 A3=8",
        "B flat major, two octaves": "G2=3 G4=5 D0=0 D1=1 D2=3 D4=5 A0=0 A1=1 A2=3 A1=5 A2=6 A4=8 A1=10 A2=12 A3=13",
        "D major, two octaves from the lowest string": "C1=2 C2=4 C4=6 G0=0 G1=2 G2=4 G4=6 D0=0 D1=2 D3=4 D4=5"
        " A0=0 A1=2 A3=4 A4=5",
        "F major, two octaves to third position": "C4=5 G0=0 G1=2 G2=3 G4=5 D0=0 D1=2 D2=3 D4=5 A0=0 A1=1 A2=3 A1=5"
        " A3=7 A4=8",
        "A major, two octaves": "G1=2 G2=4 G4=6 D0=0 D1=2 D2=4 D4=6 A0=0 A1=2 A1=4 A2=5 A4=7 A1=9 A2=11 A3=12",
        "G major on the D string": "D1=5 D3=7 D1=9 D2=10 D1=12 D3=14",
        "A minor arpeggio": "G1=2 G4=5 D1=2 D4=5 A0=0 A2=3 A1=7 A3=10 A2=12",
        "E major on the A string": "A1=2 A2=4 A1=6 A2=7 A4=9 A1=11 A2=12 A3=14",
    },
}


def handbook_names(instrument: str) -> list[str]:
    """Names of the handbook passages of an instrument."""
    return list(_SCALES[instrument])


def judged_names(instrument: str) -> list[str]:
    """Names of the handbook passages kept for judging."""
    return list(_JUDGED[instrument])


def handbook(rng: np.random.Generator, *, instrument: str, name: str) -> list[Note]:
    """A handbook scale or arpeggio, up and down, in a random bowing (slurs of one to four notes)."""
    board = fingerboard(instrument)
    up = []
    for word in (_SCALES[instrument] | _JUDGED[instrument])[name].split():
        string, finger, sounding = board.strings.index(word[0]), int(word[1]), int(word[3:])
        up.append((string, finger, sounding))
    group = int(rng.integers(1, 5))
    length_s = float(rng.uniform(0.2, 0.6))
    both_ways = up + up[-2::-1]
    places = _steadiest(board, both_ways)
    return [
        Note(
            string,
            finger,
            place,
            int(board.open_midi[string]) + sounding,
            slurred=i % group != 0,
            length_s=length_s,
        )
        for i, ((string, finger, sounding), place) in enumerate(zip(both_ways, places, strict=True))
    ]


def _steadiest(board: Fingerboard, notes: list[tuple[int, int, int]]) -> list[int]:
    """Hand places through a fingered passage, moving as seldom and as little as its fingers allow; -1 for open.

    Where the notes leave it open, the first finger stands on a note of the passage.
    """
    scale = {(round(board.open_midi[string]) + sounding) % 12 for string, _, sounding in notes}
    ways: dict[int, tuple[float, list[int]]] = {}
    for string, finger, sounding in notes:
        if finger == 0:
            ways = {place: (cost, [*path, -1]) for place, (cost, path) in ways.items()} or {0: (0.0, [-1])}
            continue
        new: dict[int, tuple[float, list[int]]] = {}
        for place in range(1, sounding + 2):
            strain = offsets(board, place=place, finger=finger).get(sounding - place)
            if strain is None:
                continue
            own = 0.6 * strain + 0.05 * ((round(board.open_midi[string]) + place) % 12 not in scale)
            options = [
                (cost + (before not in (0, place)) * (1.0 + 0.1 * abs(place - before)), path)
                for before, (cost, path) in ways.items()
            ] or [(0.0, [])]
            cost, path = min(options)
            new[place] = (cost + own, [*path, place])
        ways = new
    return min(ways.values())[1]


def chosen(rng: np.random.Generator, *, instrument: str, notes: int) -> list[Note]:
    """A random line with the fingers that a player of random taste chooses who knows what comes next."""
    key = f"{rng.choice(TONICS)} {rng.choice(('major', 'minor'))}"
    line = melody_of_scale(rng, instrument=INSTRUMENTS[instrument], pull=pull_of(key), notes=notes)
    stops = fingering(line, instrument=INSTRUMENTS[instrument], scale=scale_of(key), taste=random_taste(rng))
    slurs, beat_s = float(rng.uniform(0.3, 0.9)), float(rng.uniform(0.25, 0.7))
    made: list[Note] = []
    for stop in stops:
        rest_s = float(rng.uniform(0.2, 1.2)) if made and rng.random() < 0.04 else 0.0
        made.append(
            Note(
                stop.string,
                stop.finger,
                stop.first if stop.finger else -1,
                stop.midi,
                slurred=bool(rng.random() < slurs) and rest_s == 0.0,
                length_s=beat_s * float(rng.choice((0.5, 1.0, 1.0, 2.0))),
                rest_s=rest_s,
            )
        )
    return made


def melody(rng: np.random.Generator, *, instrument: str, notes: int) -> list[Note]:
    """A random melody, fingered by a player of random habits.

    The player keeps a hand place. A note out of reach, or a fancy, moves the hand so that a random finger takes the
    note, on the same string or a neighbour. Lovers of one string stay on it; others cross early; open strings are
    used or shunned.
    """
    board = fingerboard(instrument)
    one_string, fancy = float(rng.uniform(0.2, 0.9)), float(rng.uniform(0.0, 0.05))
    likes_open, slurs = float(rng.uniform(0.0, 1.0)), float(rng.uniform(0.3, 0.9))
    scale = {(int(rng.integers(12)) + step) % 12 for step in (0, 2, 4, 5, 7, 9, 11)}
    low, high = round(board.open_midi[0]) + 2, round(board.open_midi[3]) + int(rng.integers(7, 15))
    place, string = int(rng.choice((2, 2, 2, 2, 2, 2, 3, 5, 5, 8))), int(rng.integers(1, 3))
    pitch = round(board.open_midi[string]) + place
    beat_s = float(rng.uniform(0.25, 0.7))
    made: list[Note] = []
    while len(made) < notes:
        step = int(rng.choice((1, 1, 1, 1, 2, 2, 3, 4))) * (1 if rng.random() < 0.5 else -1)
        wanted = [m for m in range(low, high) if m % 12 in scale]
        at = int(np.argmin([abs(m - pitch) for m in wanted]))
        pitch = wanted[int(np.clip(at + step, 0, len(wanted) - 1))]
        if made and pitch == made[-1].midi:
            continue
        ways = _in_hand(board, place, pitch, likes_open > rng.random())
        near = [way for way in ways if abs(way[0] - string) <= 1]
        same = [way for way in near if way[0] == string]
        moved = place
        if not near and rng.random() < 0.8:
            # A finger stretches, or the whole hand shifts by a semitone within the position.
            moved = int(rng.choice((place, max(place - 1, 1), place + 1)))
            near = [w for w in _in_hand(board, moved, pitch, False, strain=moved == place) if abs(w[0] - string) <= 1]
            same = [way for way in near if way[0] == string]
        if near and rng.random() > fancy:
            chosen = same[0] if same and (len(near) == 1 or rng.random() < one_string) else near[0]
            string, finger = chosen
        else:
            option = _reposition(rng, board, string, place, pitch, one_string)
            if option is None:
                continue
            string, finger, moved = option
        rest_s = float(rng.uniform(0.2, 1.2)) if made and rng.random() < 0.04 else 0.0
        made.append(
            Note(
                string,
                finger,
                moved if finger else -1,
                pitch,
                slurred=bool(rng.random() < slurs) and rest_s == 0.0,
                length_s=beat_s * float(rng.choice((0.5, 1.0, 1.0, 2.0))),
                rest_s=rest_s,
            )
        )
        place = moved
    return made


def _in_hand(
    board: Fingerboard, place: int, pitch: int, use_open: bool, *, strain: bool = False
) -> list[tuple[int, int]]:
    """Strings and fingers that make a pitch without moving the hand, upper strings first.

    In the usual frame only, or with a semitone of ``strain``.
    """
    found = []
    for string in reversed(range(len(board.strings))):
        sounding = pitch - round(board.open_midi[string])
        if sounding == 0 and use_open:
            found.append((string, 0))
        strains = {f: offsets(board, place=place, finger=f).get(sounding - place, 9) for f in (1, 2, 3, 4)}
        fingers = [f for f, strained in strains.items() if strained <= int(strain)]
        if sounding > 0 and fingers:
            found.append((string, fingers[0]))
    return found


def _reposition(
    rng: np.random.Generator, board: Fingerboard, string: int, place: int, pitch: int, one_string: float
) -> tuple[int, int, int] | None:
    """A new string, finger and place for a note; None if none fits."""
    options, liking = _reposition_options(board, string, place, pitch)
    if not options:
        return None
    on_string = np.array([o[0] == string for o in options])
    if on_string.any() and rng.random() < max(one_string, 0.7):
        options, liking = [o for o in options if o[0] == string], liking[on_string]
    return options[int(rng.choice(len(options), p=liking / liking.sum()))]


def _reposition_options(
    board: Fingerboard, string: int, place: int, pitch: int
) -> tuple[list[tuple[int, int, int]], np.ndarray]:
    """Strings, fingers and places that a shift may take for a note, and how well each is liked."""
    options = []
    for other in (string, string - 1, string + 1):
        if not 0 <= other < len(board.strings):
            continue
        sounding = pitch - round(board.open_midi[other])
        for finger in (1, 2, 3, 4):
            for new in range(1, 13):
                if offsets(board, place=new, finger=finger).get(sounding - new) == 0 and 2 <= abs(new - place) <= 8:
                    options.append((other, finger, new))
    # Low and odd positions are liked better: they are taught first.
    liking = np.array([np.exp(-(o[2] - 2) / 5.0) * (1.0 if position_number(o[2]) % 2 else 0.4) for o in options])
    return options, liking
