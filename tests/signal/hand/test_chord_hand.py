"""How chords are stopped: handbook chords, and what each kind of evidence must do.

The fingerings of the handbook chords are common practice, written from memory; nothing was fitted to them.
"""

import numpy as np
import pytest

from pipeline.signal.hand.chain import Slides
from pipeline.signal.hand.chord_hand import EVIDENCE, ChordHand, PlayedChord, chord_hands
from pipeline.signal.hand.fingerboard import Fingerboard, chord_ways, fingerboard
from pipeline.signal.hand.played_line import Line

VIOLIN = fingerboard("violin")
G, D, A, E = range(4)
# Pitches, lowest first, with string and finger of each.
HANDBOOK = {
    "G major, four strings": {55: (G, 0), 62: (D, 0), 71: (A, 1), 79: (E, 2)},
    "G minor, four strings": {55: (G, 0), 62: (D, 0), 70: (A, 1), 79: (E, 2)},
    "D major, three strings": {62: (D, 0), 69: (A, 0), 78: (E, 1)},
    "D minor, three strings": {62: (D, 0), 69: (A, 0), 77: (E, 1)},
    "A major, four strings": {57: (G, 1), 64: (D, 1), 73: (A, 2), 81: (E, 3)},
    "A minor, four strings": {57: (G, 1), 64: (D, 1), 72: (A, 2), 81: (E, 3)},
    "A major, three strings": {57: (G, 1), 64: (D, 1), 73: (A, 2)},
    "E minor, four strings": {55: (G, 0), 64: (D, 1), 71: (A, 1), 79: (E, 2)},
    "B flat major, four strings": {58: (G, 2), 65: (D, 2), 74: (A, 3), 82: (E, 4)},
    "C major, four strings": {55: (G, 0), 64: (D, 1), 72: (A, 2), 76: (E, 0)},
    "F major, four strings": {57: (G, 1), 65: (D, 2), 72: (A, 2), 81: (E, 3)},
    "B minor, three strings": {62: (D, 0), 71: (A, 1), 78: (E, 1)},
    "G major, three strings": {62: (D, 0), 71: (A, 1), 79: (E, 2)},
    "sixth F#-D": {66: (D, 2), 74: (A, 3)},
    "sixth B-G": {71: (A, 1), 79: (E, 2)},
    "sixth E-C": {64: (D, 1), 72: (A, 2)},
    "third G-B": {67: (D, 3), 71: (A, 1)},
    "third D-F#": {74: (A, 3), 78: (E, 1)},
    "fifth E-B": {64: (D, 1), 71: (A, 1)},
    "octave A-A on the lower strings": {57: (G, 1), 69: (D, 4)},
    "octave E-E": {64: (D, 1), 76: (A, 4)},
    "open fifth": {62: (D, 0), 69: (A, 0)},
}


def no_line() -> Line:
    return line_of([], [])


def line_of(midi: list[float], start_s: list[float]) -> Line:
    n = len(midi)
    none = np.zeros(0)
    slides = Slides(np.zeros((0, 6)), none, none, none, none, none)
    start = np.array(start_s, dtype=np.float64)
    nan = np.full(n, np.nan)
    return Line(np.array(midi, dtype=np.float64), start, start + 0.2, nan, nan, np.full(n, -1), slides)


def chord(midi: list[float], *, start_s: float = 1.0, delays: tuple[float, ...] = ()) -> PlayedChord:
    n = len(midi)
    starts = start_s + np.array(delays if delays else [0.0] * n)
    return PlayedChord(np.array(midi, dtype=np.float64), starts, np.full(n, start_s + 1.0), np.full(n, np.nan))


def hand(
    midi: list[float], *, line: Line | None = None, delays: tuple[float, ...] = (), board: Fingerboard = VIOLIN
) -> ChordHand:
    (found,) = chord_hands(line or no_line(), [chord(midi, delays=delays)], board=board)
    return found


def first(found: ChordHand) -> list[tuple[int, int]]:
    return [(stop.string, stop.finger) for stop in found.ways[0]]


def test_most_handbook_chords_come_first_by_themselves_and_nearly_all_in_first_position() -> None:
    scale = line_of([66.0, 67.0, 69.0, 71.0], [0.0, 0.2, 0.4, 0.6])
    alone = [name for name, way in HANDBOOK.items() if first(hand(list(map(float, way)))) == list(way.values())]
    after = [n for n, way in HANDBOOK.items() if first(hand(list(map(float, way)), line=scale)) == list(way.values())]
    assert len(alone) >= 0.85 * len(HANDBOOK), sorted(set(HANDBOOK) - set(alone))
    assert len(after) >= 0.95 * len(HANDBOOK), sorted(set(HANDBOOK) - set(after))


def test_probabilities_sum_to_one_and_are_in_order() -> None:
    found = hand([66.0, 74.0])
    assert found.probability.sum() == pytest.approx(1.0)
    assert found.alone.sum() == pytest.approx(1.0)
    assert (np.diff(found.probability) <= 0).all()


def test_no_way_where_two_notes_lie_on_one_string_alone() -> None:
    assert hand([55.0, 57.0]).ways == ()


def test_a_sharp_open_string_is_likelier_stopped() -> None:
    # An open string sounds at its tuning, to 10 cents; a stopped note errs by 25.
    tuned, sharp = hand([62.0, 74.0]), hand([62.35, 74.0])

    def opened(found: ChordHand) -> float:
        return float(sum(p for way, p in zip(found.ways, found.probability, strict=True) if way[0].finger == 0))

    assert opened(tuned) > opened(sharp) + 0.2


def test_the_hand_before_decides_between_places() -> None:
    low = line_of([69.0, 71.0, 72.0], [0.0, 0.3, 0.6])
    high = line_of([88.0, 90.0, 91.0], [0.0, 0.3, 0.6])

    def place(found: ChordHand) -> float:
        return float(sum(way[0].place * p for way, p in zip(found.ways, found.probability, strict=True)))

    assert place(hand([74.0, 78.0], line=high)) > place(hand([74.0, 78.0], line=low)) + 1.0


def test_outer_notes_that_sound_before_the_middle_one_speak_against_the_order_of_pitch() -> None:
    # C#, A and C: in order of pitch on G, D and A, or A open and C on the D string, beside the G string then.
    pitches = [61.0, 69.0, 72.0]

    def in_order(found: ChordHand) -> float:
        strings = [[stop.string for stop in way] for way in found.ways]
        return float(sum(p for own, p in zip(strings, found.alone, strict=True) if own == sorted(own)))

    assert in_order(hand(pitches, delays=(0.0, 0.2, 0.0))) < in_order(hand(pitches))


def test_evidence_by_kind_makes_up_the_weight_of_a_way_by_itself_and_each_kind_speaks_of_its_own() -> None:
    pitches = [61.0, 69.0, 72.0]
    plain, late = hand(pitches), hand(pitches, delays=(0.0, 0.2, 0.0))
    for found in (plain, late):
        logs = found.evidence.sum(axis=1)
        np.testing.assert_allclose(np.exp(logs - logs[0]), found.alone / found.alone[0])
    order, pitch = (EVIDENCE.index(kind) for kind in ("order", "pitch"))
    assert not plain.evidence[:, order].any()
    assert late.evidence[:, order].any()
    sharp = hand([61.0, 69.4, 72.0])
    opened = [way[1].finger == 0 for way in sharp.ways]
    assert sharp.evidence[opened, pitch].max() < sharp.evidence[np.logical_not(opened), pitch].max()


def test_every_way_is_playable_by_the_rules_of_the_board() -> None:
    for name, way in HANDBOOK.items():
        for stops in chord_ways(VIOLIN, tuple(way)):
            strings = sorted(stop.string for stop in stops)
            assert strings == list(range(strings[0], strings[0] + len(stops))), name
            assert len({stop.place for stop in stops}) == 1
            assert [VIOLIN.open_midi[s.string] + s.sounding for s in stops] == list(way)
