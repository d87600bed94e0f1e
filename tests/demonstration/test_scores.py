"""Scores with chords: what is printed of them, and what is played."""

import numpy as np
import pytest

from pipeline.demonstration.scores import read_scores
from pipeline.signal.synth.player import random_player

EVENTS = [
    {"notes": "G4", "stops": "D3", "beats": 1},
    {"notes": "D4 A4 B4", "stops": "G2 A0 D3", "beats": 3, "starts_ms": [0, 130, 0], "printed": "G4 D4 A1"},
    {"notes": "B3 G4", "stops": "G2 D3", "beats": 2},
]


def score(events=EVENTS):
    given = {"key": "G major", "edition": "made up", "bar": 3, "beat_s": 0.5, "events": events}
    return read_scores({"scores": {"bells": given}})["bells"]


@pytest.fixture
def plans():
    rng = np.random.default_rng(1)
    return score().plans(rng, player=random_player(rng), length_s=5.0, reference_pitch_hz=440.0)


def test_the_part_has_an_event_for_what_is_struck_together():
    notes = score().part().notes
    assert [(n.event, n.midi, n.string, n.finger) for n in notes] == [
        (1, 67.0, "D", 3),
        *((2, 62.0, "G", 4), (2, 69.0, "D", 4), (2, 71.0, "A", 1)),
        *((3, 59.0, "G", 2), (3, 67.0, "D", 3)),
    ]
    assert [(n.bar, n.beat, n.onset) for n in notes[::2]] == [("1", 1.0, 0.0), ("1", 2.0, 1.0), ("2", 2.0, 4.0)]


def test_each_note_of_a_chord_is_in_a_line_of_its_own_the_highest_first(plans):
    assert [[round(n.midi) for n in plan.notes] for plan in plans] == [[67, 71, 67], [69, 59], [62]]
    assert all(plan.slides == () for plan in plans)


def test_a_late_string_begins_later_without_vibrato_and_ends_with_the_chord(plans):
    (_, whole, _), (late, _), (low,) = (plan.notes for plan in plans)
    assert late.start_s - low.start_s == pytest.approx(0.13)
    assert whole.start_s == low.start_s
    assert whole.end_s == late.end_s == low.end_s
    assert (late.midi, late.vibrato_cents) == (69.0, 0.0)
    assert low.vibrato_cents > 0


def test_chords_are_where_they_are_played(plans):
    chords = score().chords()
    assert [chord.start_s for chord in chords] == [plans[0].notes[1].start_s, plans[0].notes[2].start_s]
    assert [chord.end_s for chord in chords] == [plans[0].notes[1].end_s, plans[0].notes[2].end_s]
    assert [chord.event.stops[-1] for chord in chords] == [("D", 3), ("D", 3)]


def test_a_stop_too_few_is_told():
    with pytest.raises(ValueError, match="must be as many"):
        score([{"notes": "B3 G4", "stops": "G2", "beats": 2}])
