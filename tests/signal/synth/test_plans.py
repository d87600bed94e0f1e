"""Plans must be playable by one hand, and their slides must be what the kinds mean."""

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from pipeline.instruments import INSTRUMENTS
from pipeline.kinds import KINDS
from pipeline.signal.synth.curve import slide_midi
from pipeline.signal.synth.fingering import Stop, position_name, reach
from pipeline.signal.synth.keys import scale_of
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.shifts import shifts_from


def _plans(instrument, count=6, **more):
    return [
        random_plan(np.random.default_rng(seed), instrument=instrument, length_s=60.0, reference_pitch_hz=440.0, **more)
        for seed in range(count)
    ]


@pytest.mark.parametrize("name", sorted(INSTRUMENTS))
def test_every_note_can_be_stopped(name):
    instrument = INSTRUMENTS[name]
    seen = 0
    for plan in _plans(name):
        for note in plan.notes:
            above = round(note.midi) - instrument.open_midi[instrument.strings.index(note.string)]
            assert above >= 0
            if note.finger == 0:
                assert above == 0
                assert note.vibrato_cents == 0.0
            elif note.ornament is None:
                seen += 1
                firsts = [above - place for place in reach(instrument)[note.finger]]
                assert any(first > 0 and position_name(first) == note.position for first in firsts)
    assert seen > 200


@pytest.mark.parametrize("name", sorted(INSTRUMENTS))
def test_notes_follow_one_another_and_slides_fill_the_gaps(name):
    for plan in _plans(name):
        into = {slide.to_note: slide for slide in plan.slides}
        for i, (before, note) in enumerate(pairwise(plan.notes), start=1):
            begins = into[i].start_s if i in into else note.start_s
            assert begins >= before.end_s - 1e-9
            assert note.end_s > note.start_s
            if i in into and into[i].kind != "into_note":
                assert into[i].start_s == pytest.approx(before.end_s)
                assert before.string == note.string
        assert plan.notes[-1].end_s <= plan.length_s


@pytest.mark.parametrize("name", sorted(INSTRUMENTS))
def test_steps_are_distances_between_fingers(name):
    kinds = Counter()
    for plan in _plans(name, slide_share=0.5):
        for slide in plan.slides:
            kinds[slide.kind] += 1
            assert 0.06 <= slide.end_s - slide.start_s <= 0.4
            note = plan.notes[slide.to_note]
            if slide.kind == "into_note":
                assert slide.from_note is None
                continue
            before = plan.notes[slide.from_note]
            assert slide.from_midi == pytest.approx(before.midi)
            assert slide.to_midi == pytest.approx(note.midi)
            if slide.kind == "same_finger":
                assert before.finger == note.finger
                continue
            step = slide.step_to_midi - slide.step_from_midi
            # A higher finger steps up, a lower one down; never further than a stretched hand.
            assert np.sign(step) == np.sign(note.finger - before.finger)
            assert abs(step) <= 6.5
            if slide.kind == "two_finger":
                assert abs(note.finger - before.finger) == 1
                assert 0.9 < abs(step) < 2.1
    assert set(kinds) == set(KINDS) - {"cannot_tell"}


def test_a_first_finger_goes_up_the_e_string_and_the_fourth_lands():
    """First to third position on the E string: F#5 slides to A5, then D6 is stopped (common practice)."""
    f_sharp = Stop(string=3, finger=1, first=2, midi=78)
    found = shifts_from(f_sharp, instrument=INSTRUMENTS["violin"], largest_semitones=9)
    wanted = [s for s in found if s.kind == "departing_finger" and s.target.midi == 86 and s.target.finger == 4]
    assert (81, 86) in {(s.step_from_midi, s.step_to_midi) for s in wanted}
    assert all(position_name(s.target.first) == 3 for s in wanted if s.step_from_midi == 81)


def test_slides_start_and_end_at_their_notes_by_every_shape():
    for plan in _plans("violin", slide_share=0.5):
        for slide in plan.slides:
            ends = slide_midi(slide, np.array([slide.start_s - 1e-6, slide.end_s + 1e-6]))
            assert ends == pytest.approx([slide.from_midi, slide.to_midi], abs=1e-3)


def test_introduction_and_interlude_are_silent_in_the_solo_and_not_in_the_piano():
    plan = random_plan(
        np.random.default_rng(2),
        instrument="violin",
        length_s=40.0,
        reference_pitch_hz=440.0,
        with_piano=True,
        introduction_s=4.0,
        interlude_s=6.0,
    )
    assert plan.notes[0].start_s >= 4.0
    rests = [(a.end_s, b.start_s) for a, b in pairwise(plan.notes) if b.start_s - a.end_s >= 6.0]
    assert len(rests) == 1
    assert 15.0 < rests[0][0] < 30.0
    assert sum(rests[0][0] < note.start_s < rests[0][1] for note in plan.accompaniment) >= 4


def test_no_slides_when_none_are_asked_for():
    for plan in _plans("violin", slide_share=0.0):
        assert plan.slides == ()
        assert {n.kind for n in plan.negatives} >= {"clean_change"}
        for note in plan.notes:
            assert note.change_s <= 0.05


def test_the_same_seed_gives_the_same_plan():
    assert _plans("viola", 2, with_piano=True) == _plans("viola", 2, with_piano=True)


def test_melody_stays_in_its_key():
    plan = _plans("violin", 1, key="Eb major", negative_share=0.0)[0]
    outside = [n for n in plan.notes if round(n.midi) % 12 not in scale_of("Eb major")]
    assert len(outside) <= 0.03 * len(plan.notes)
