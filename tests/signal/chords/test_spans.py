"""Notes out of candidates in frames: neighbours a semitone apart stay two, pieces of one become one."""

import numpy as np
import pytest

from pipeline.signal.chords.grid import PER_SEMITONE, midi_of_bins
from pipeline.signal.chords.judge import KEPT, Sounding
from pipeline.signal.chords.spans import notes_of
from pipeline.signal.hand.fingerboard import fingerboard

LOWEST = float(midi_of_bins(0))


def heard(frames: list[dict[float, float]]) -> list[tuple[int, int, float]]:
    """First frame, last (not included) and pitch of the notes in frames of pitches with chances to be bowed."""
    bins = np.full((len(frames), KEPT), -1, dtype=np.int32)
    bowed = np.zeros(bins.shape, dtype=np.float32)
    for row, sounding in enumerate(frames):
        for k, (midi, chance) in enumerate(sounding.items()):
            bins[row, k], bowed[row, k] = round((midi - LOWEST) * PER_SEMITONE), chance
    said = Sounding(bins, bowed, np.where(bins >= 0, 0.5 - 0.5 * bowed, 0.0).astype(np.float32))
    notes = notes_of(said, board=fingerboard("violin"), midi=midi_of_bins(bins))
    return [(note.first, note.last, pytest.approx(float(midi_of_bins(note.pitch_bin)), abs=0.25)) for note in notes]


def test_a_neighbour_that_comes_up_while_the_note_fades_is_a_note_of_its_own() -> None:
    # The peaks of both lie in one window for a while and draw each other near.
    step = [{74.0: 0.9}, {73.8: 0.7, 73.4: 0.6}, {73.6: 0.6, 73.2: 0.8}]
    (first, one, high), (second, last, low) = heard([{74.0: 1.0}] * 6 + step + [{73.0: 1.0}] * 6)
    assert (first, high, last, low) == (0, 74.0, 15, 73.0)
    assert one in range(6, 10)
    assert second in range(6, 10)


def test_a_note_that_returns_after_its_neighbour_begins_anew() -> None:
    inner = [{73.0: 0.99, 74.0: 0.1}] * 5
    assert [note[2] for note in heard([{74.0: 1.0}] * 6 + inner + [{74.0: 1.0}] * 6)] == [74.0, 73.0, 74.0]


def test_a_note_that_is_lost_for_a_while_goes_on() -> None:
    assert heard([{74.0: 1.0}] * 6 + [{74.0: 0.49}] * 4 + [{74.0: 1.0}] * 6) == [(0, 16, 74.0)]


@pytest.mark.parametrize("apart", [0.4, 0.6])
def test_one_pitch_heard_at_two_places_of_the_grid_is_one_note(apart: float) -> None:
    twice = [{74.0: 0.95, 74.0 + apart: 0.9}] * 6
    assert heard([{74.0: 1.0}] * 4 + twice + [{74.0: 1.0}] * 4) == [(0, 14, 74.0)]


def test_a_short_note_needs_to_be_surer_than_a_long_one() -> None:
    def heard_beside(chance: float, frames: int) -> list[object]:
        held = [{67.0: 1.0}] * 8
        return [note[2] for note in heard(held + [{67.0: 1.0, 74.0: chance}] * frames + held)]

    assert heard_beside(0.55, 3) == [67.0]
    assert heard_beside(0.9, 3) == [67.0, 74.0]
    assert heard_beside(0.55, 12) == [67.0, 74.0]


def test_a_wide_vibrato_is_one_note() -> None:
    swing = 0.4 * np.sin(2 * np.pi * 6.0 * np.arange(40) * 0.0232)
    assert [note[:2] for note in heard([{74.0 + x: 1.0} for x in swing.tolist()])] == [(0, 40)]


@pytest.mark.parametrize(("interval", "named"), [(12.0, False), (19.0, False), (9.0, True)])
def test_a_note_above_another_is_named_only_if_it_is_likelier_bowed_than_not(interval: float, named: bool) -> None:
    # What is bowed already is asked for less from frame to frame: only so can a note be told at under a half.
    upper = [{60.0: 1.0, 60.0 + interval: 0.55}] + [{60.0: 1.0, 60.0 + interval: 0.45}] * 14
    assert [note[2] for note in heard(upper)] == [60.0, 60.0 + interval][: 1 + named]
