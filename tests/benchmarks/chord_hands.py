"""Chords made by a hand that is known: are their strings and fingers told, by themselves and in their passage?

    OMP_NUM_THREADS=1 python -m tests.benchmarks.chord_hands [--chords 260]

Into a line of notes by a player who knows what comes next (``fingered_passages.chosen``) a chord of three or four notes
of the violin is put in the place of one note, stopped by the hand where it is, such as can lie on more than one set of
strings. Stopped notes err by 12 cents and mostly have a vibrato, open strings by 5 and have none; in every second chord
an outer string sounds 60 to 150 ms late or early. Chords whose strings are out of the order of pitch are told apart:
only there can the order of sounding speak.
"""

import argparse
from dataclasses import dataclass

import numpy as np

from pipeline.signal.hand.chain import Slides
from pipeline.signal.hand.chord_hand import ChordHand, PlayedChord, chord_hands
from pipeline.signal.hand.fingerboard import OPEN, Stop, chord_ways, fingerboard, stop_table
from pipeline.signal.hand.played_line import Line
from tests.helpers.fingered_passages import Note, chosen

BOARD = fingerboard("violin")
STOPPED_CENTS, OPEN_CENTS, VIBRATING, OPENED = 12.0, 5.0, 0.7, 0.3
AROUND, LASTS_S = 8, 1.0
Way = tuple[Stop, ...]


@dataclass(frozen=True)
class Made:
    """A chord in a line of notes, as it is heard, and the way in which it was stopped."""

    way: Way
    chord: PlayedChord
    line: Line


def made(rng: np.random.Generator) -> Made:
    """One chord and the notes around it."""
    while True:
        notes = chosen(rng, instrument="violin", notes=4 * AROUND)
        at = int(rng.integers(AROUND, len(notes) - AROUND))
        if (way := _stopped(rng, notes[at])) is not None:
            around = [*notes[at - AROUND : at], *notes[at + 1 : at + 1 + AROUND]]
            chord = _heard(rng, way, sum(note.length_s + note.rest_s for note in around[:AROUND]))
            return Made(way, chord, _line(rng, around))


def _stopped(rng: np.random.Generator, note: Note) -> Way | None:
    """A way to stop a chord with a note's hand and string, if it can lie on other strings as well; a few tries."""
    table = stop_table(BOARD)
    able = (table.place == note.place) & (table.finger > 0) & ~table.harmonic & (table.strained == 0)
    for _ in range(20 if note.place > 0 else 0):
        count = int(rng.integers(3, 5))
        lowest = int(np.clip(note.string - rng.integers(0, count), 0, len(BOARD.strings) - count))
        pitches = []
        for string in range(lowest, lowest + count):
            stops = table.sounding[able & (table.string == string)]
            opened = rng.random() < OPENED or not stops.size
            pitches.append((BOARD.open_midi[string] + (0 if opened else int(rng.choice(stops))), string))
        strings = tuple(string for _, string in sorted(pitches))
        ways = chord_ways(BOARD, tuple(round(midi) for midi, _ in sorted(pitches)))
        own = [w for w in ways if _strings(w) == strings and w[0].place == note.place and not _strain(w)]
        if own and len({_strings(way) for way in ways}) > 1:
            return own[int(rng.integers(len(own)))]
    return None


def _heard(rng: np.random.Generator, way: Way, start_s: float) -> PlayedChord:
    opened = np.array([stop.finger == OPEN for stop in way])
    midi = np.array([BOARD.open_midi[stop.string] + stop.sounding for stop in way])
    midi = midi + rng.normal(0.0, np.where(opened, OPEN_CENTS, STOPPED_CENTS)) / 100.0
    starts = np.full(len(way), start_s)
    if rng.random() < 0.5:
        outer = int(rng.choice((min(_strings(way)), max(_strings(way)))))
        later = np.array([stop.string == outer for stop in way])
        starts[later if rng.random() < 0.5 else ~later] += float(rng.uniform(0.06, 0.15))
    vibrato = np.where(opened, 0.0, (rng.random(len(way)) < VIBRATING).astype(np.float64))
    return PlayedChord(midi, starts, np.full(len(way), start_s + LASTS_S), vibrato)


def _line(rng: np.random.Generator, notes: list[Note]) -> Line:
    lengths = np.array([note.length_s + note.rest_s for note in notes])
    start_s = np.cumsum(lengths) - lengths
    start_s[AROUND:] += LASTS_S
    midi = np.array([note.midi for note in notes]) + rng.normal(0.0, STOPPED_CENTS / 100.0, len(notes))
    unknown, none = np.full(len(notes), np.nan), np.full(len(notes), -1)
    return Line(midi, start_s, start_s + [note.length_s for note in notes], unknown, unknown, none, _slides())


def _strain(way: Way) -> int:
    return max(stop.strained for stop in way)


def _strings(way: Way) -> tuple[int, ...]:
    return tuple(stop.string for stop in way)


def _slides() -> Slides:
    return Slides(np.zeros((0, 6)), *[np.zeros(0)] * 5)


def _nobody() -> Line:
    none = np.zeros(0)
    return Line(none, none, none, none, none, np.zeros(0, dtype=np.int64), _slides())


def judged(hand: ChordHand, way: Way, chances: np.ndarray) -> tuple[float, bool, bool]:
    """Probability of the likeliest strings, whether they are right, and whether strings and fingers are."""
    by_strings: dict[tuple[int, ...], float] = {}
    by_stops: dict[tuple[tuple[int, int], ...], float] = {}
    for each, chance in zip(hand.ways, chances, strict=True):
        stops = tuple((stop.string, stop.finger) for stop in each)
        by_strings[_strings(each)] = by_strings.get(_strings(each), 0.0) + float(chance)
        by_stops[stops] = by_stops.get(stops, 0.0) + float(chance)
    strings = max(by_strings, key=lambda one: by_strings[one])
    stops = max(by_stops, key=lambda one: by_stops[one])
    return by_strings[strings], strings == _strings(way), stops == tuple((stop.string, stop.finger) for stop in way)


def calibration_error(said: np.ndarray, right: np.ndarray) -> float:
    """Mean distance of stated probability and share that is right, over tenths, by their number."""
    tenth = np.minimum((10.0 * said).astype(int), 9)
    parts = [(tenth == k) for k in range(10) if (tenth == k).any()]
    return float(sum(part.mean() * abs(said[part].mean() - right[part].mean()) for part in parts))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.chord_hands")
    parser.add_argument("--chords", type=int, default=260)
    given = parser.parse_args()
    rows: dict[str, list[tuple[float, bool, bool]]] = {"alone": [], "in its passage": []}
    crossed, ways = [], []
    for number in range(given.chords):
        rng = np.random.default_rng([2718, number])
        one = made(rng)
        way = one.way
        (alone,), (within,) = (chord_hands(line, [one.chord], board=BOARD) for line in (_nobody(), one.line))
        rows["alone"].append(judged(alone, way, alone.alone))
        rows["in its passage"].append(judged(within, way, within.probability))
        crossed.append(list(_strings(way)) != sorted(_strings(way)))
        ways.append(len({_strings(each) for each in within.ways}))
    out = np.array(crossed)
    print(f"{given.chords} chords, {np.mean(ways):.1f} sets of strings each; {out.sum()} out of the order of pitch")
    for name, found in rows.items():
        said, strings, fingers = (np.array(column) for column in zip(*found, strict=True))
        print(
            f"{name:16} strings right {strings.mean():.3f}, fingers too {fingers.mean():.3f};"
            f" out of order {strings[out].mean():.3f}; calibration error {calibration_error(said, strings):.3f}"
        )


if __name__ == "__main__":
    main()
