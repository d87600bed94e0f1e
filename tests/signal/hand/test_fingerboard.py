"""Strings, positions and stretches against published values and common practice; what a hand can do at all."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.instruments import THUMB
from pipeline.signal.hand.fingerboard import (
    LONGEST_STRETCH_MM,
    double_stops,
    fingerboard,
    offsets,
    position_number,
    position_numbers,
    stop_table,
    stops,
)
from pipeline.steps.board import open_strings
from pipeline.units import hz_of_midi

INSTRUMENTS = st.sampled_from(("violin", "viola", "cello"))


def test_open_strings_sound_at_their_published_frequencies() -> None:
    # Equal temperament at A4 = 440 Hz, 440 * 2^((m - 69) / 12), as in any table of note frequencies.
    violin = hz_of_midi(np.array(fingerboard("violin").open_midi), reference_pitch_hz=440.0)
    cello = hz_of_midi(np.array(fingerboard("cello").open_midi), reference_pitch_hz=440.0)
    np.testing.assert_allclose(violin, [195.998, 293.665, 440.0, 659.255], atol=0.001)
    np.testing.assert_allclose(cello, [65.406, 97.999, 146.832, 220.0], atol=0.001)


def test_distances_along_the_violin_string() -> None:
    # L = 328 mm; d = L (1 - 2^(-n/12)): 18.4, 35.8, 52.2, 67.7, 82.3, 109.1, 164.0, 218.5, 246.0 mm (computed).
    board = fingerboard("violin")
    found = [board.distance_mm(n) for n in (1, 2, 3, 4, 5, 7, 12, 19, 24)]
    np.testing.assert_allclose(found, [18.4, 35.8, 52.2, 67.7, 82.3, 109.1, 164.0, 218.5, 246.0], atol=0.05)


def test_a_fourth_in_the_hand_shrinks_up_the_string() -> None:
    # 73.3 mm (2 to 7), 61.6 (5 to 10), 41.1 (12 to 17); on a cello of 690 mm 97.8 mm from 2 to 5 (computed).
    board = fingerboard("violin")
    assert [round(board.stretch_mm(p, 5), 1) for p in (2, 5, 12)] == [73.3, 61.6, 41.1]
    assert round(fingerboard("cello").stretch_mm(2, 3), 1) == 97.8


def test_positions_go_by_their_usual_numbers() -> None:
    # Common practice: first finger on open + 1 or 2 is first position, + 5 third, + 8 or 9 fifth, + 12 seventh;
    # the octave of first position is eighth. Plus 7 is fourth, or fifth if spelt so.
    assert [position_number(p) for p in (1, 2, 5, 8, 9, 12, 14)] == [1, 1, 3, 5, 5, 7, 8]
    assert {4, 5} <= set(position_numbers(7))
    assert 0 in position_numbers(1)


def test_the_usual_frame_is_a_fourth_on_the_violin_and_a_third_on_the_cello() -> None:
    violin = offsets(fingerboard("violin"), place=2, finger=4)
    cello = offsets(fingerboard("cello"), place=2, finger=4)
    assert [o for o, strain in violin.items() if strain == 0] == [5]
    assert [o for o, strain in cello.items() if strain == 0] == [3]
    assert cello[4] == 1  # the extended position


def test_the_cellists_thumb_stops_strings_below_the_first_finger() -> None:
    # Common practice, no source: from the seventh semitone on, a whole tone below the first finger; thumb and third
    # finger play octaves on neighbouring strings, the thumb alone a fifth; it stops where the third finger touches.
    cello = fingerboard("cello")
    assert offsets(cello, place=14, finger=THUMB) == {-3: 1, -2: 0, -1: 1}
    assert offsets(cello, place=7, finger=THUMB) == {}
    octave = {(a.finger, b.finger) for a, b in double_stops(cello, lower_midi=62, upper_midi=74)}
    assert (THUMB, 3) in octave
    assert (2, THUMB) not in octave
    fifth = {(a.finger, b.finger, a.place) for a, b in double_stops(cello, lower_midi=62, upper_midi=69)}
    assert (THUMB, THUMB, 14) in fifth
    assert any(s.finger == THUMB and s.harmonic and s.stop == 12 for s in stops(cello, string=2, sounding=36))
    assert stop_table(fingerboard("violin")).finger.max() == 4


def test_natural_harmonics_are_among_the_stops() -> None:
    harmonics = [s for s in stops(fingerboard("violin"), string=3, sounding=19) if s.harmonic]
    assert {s.stop for s in harmonics} == {7, 19}


def test_scordatura_moves_one_string_only() -> None:
    board = fingerboard("violin", open_midi=open_strings("A3 D4 A4 E5"))
    assert board.open_midi == (57.0, 62.0, 69.0, 76.0)
    assert board.strings[0] == "G"


def test_wrong_tunings_are_refused() -> None:
    with pytest.raises(ValueError, match="3 open strings"):
        fingerboard("violin", open_midi=(55.0, 62.0, 69.0))
    with pytest.raises(ValueError, match="not a pitch"):
        open_strings("H3 D4 A4 E5")
    with pytest.raises(ValueError, match="use one of"):
        fingerboard("lute")


@settings(max_examples=50, deadline=None)
@given(INSTRUMENTS, st.integers(36, 100), st.integers(36, 100))
def test_double_stops_are_possible(instrument: str, lower: int, upper: int) -> None:
    board = fingerboard(instrument)
    for a, b in double_stops(board, lower_midi=lower, upper_midi=upper):
        assert abs(a.string - b.string) == 1
        assert a.place == b.place
        assert a.finger != b.finger or a.stop == b.stop
        assert board.open_midi[a.string] + a.sounding == lower
        assert board.open_midi[b.string] + b.sounding == upper


def test_familiar_double_stops_are_found() -> None:
    board = fingerboard("violin")
    # A sixth in first position: G4 with 3 on D, E5 as open string or with 4 on A (common practice).
    sixth = {(a.finger, b.finger) for a, b in double_stops(board, lower_midi=67, upper_midi=76) if b.string == 2}
    assert (3, 4) in sixth
    # A fifth across two strings with one finger.
    assert any(a.finger == b.finger == 1 for a, b in double_stops(board, lower_midi=64, upper_midi=71))
    assert double_stops(board, lower_midi=55, upper_midi=57) == []  # both only on the G string


@settings(deadline=None)
@given(INSTRUMENTS)
def test_no_stop_is_beyond_the_hand(instrument: str) -> None:
    board = fingerboard(instrument)
    table = stop_table(board)
    assert table.sounding.min() == 0
    assert np.all((table.finger == 0) == (table.sounding == 0))
    stopped = table.finger > 0
    stretch = [
        abs(board.stretch_mm(int(p), int(s - p)))
        for p, s in zip(table.place[stopped], table.stop[stopped], strict=True)
    ]
    assert max(stretch) <= LONGEST_STRETCH_MM[instrument]
    assert np.all(table.place >= 0)
