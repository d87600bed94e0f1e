"""An octave above a note that is not among a chord's notes is a probability of the note below it."""

import numpy as np
import pytest

from pipeline.signal.chords.grid import PER_SEMITONE
from pipeline.signal.chords.judge import KEPT, Sounding
from pipeline.signal.chords.octaves import octave_probability
from pipeline.signal.chords.spans import Note, is_above

FRAMES, PLACE = 20, 150


def heard(**above: float) -> Sounding:
    """A note throughout, and candidates so many semitones above it with these chances of being bowed."""
    bins = np.full((FRAMES, KEPT), -1, dtype=np.int32)
    bowed = np.zeros(bins.shape, dtype=np.float32)
    bins[:, 0], bowed[:, 0] = PLACE, 0.98
    for k, (step, chance) in enumerate(above.items(), start=1):
        bins[:, k], bowed[:, k] = PLACE + PER_SEMITONE * int(step.removeprefix("by")), chance
    return Sounding(bins, bowed, np.zeros_like(bowed))


def note(semitones: float = 0.0) -> Note:
    return Note(0, FRAMES, np.full(FRAMES, PLACE + PER_SEMITONE * semitones), 0.98, 0.98)


def test_the_likelier_of_octave_and_twelfth_counts_and_no_other_interval() -> None:
    assert octave_probability(note(), [note()], heard(by12=0.3, by19=0.4, by7=0.9)) == pytest.approx(0.4)
    assert octave_probability(note(), [note()], heard(by7=0.9)) == 0.0


def test_an_octave_among_the_notes_of_the_chord_is_no_longer_possible() -> None:
    found = heard(by12=0.9, by19=0.2)
    assert octave_probability(note(), [note(), note(12.0)], found) == pytest.approx(0.2)
    assert octave_probability(note(), [note(), note(7.0)], found) == pytest.approx(0.9)


def test_what_is_heard_at_the_edges_alone_is_a_neighbours() -> None:
    found = heard(by12=0.8)
    found.bowed[2:-2, 1] = 0.0
    assert octave_probability(note(), [note()], found) == 0.0


def test_octaves_and_twelfths_within_a_tuning_are_meant() -> None:
    assert [is_above(x) for x in (11.7, 12.4, 18.8, 19.3)] == [True] * 4
    assert not any(is_above(x) for x in (0.0, 7.0, 13.0, 24.0))
