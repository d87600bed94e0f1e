"""A hand that knows what comes next: its plans can be played."""

from itertools import product

import numpy as np
import pytest

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.synth.fingering import reach
from pipeline.signal.synth.plans import random_plan
from tests.helpers.optimum_path import fingers_by, random_taste


@pytest.mark.parametrize("name", sorted(INSTRUMENTS))
def test_slides_are_shifts_of_the_hand_that_are_heard(name):
    instrument = INSTRUMENTS[name]
    slides = 0
    for seed in range(10):
        rng = np.random.default_rng(seed)
        fingers = fingers_by(random_taste(rng), instrument=instrument, key="E major")
        plan = random_plan(
            rng,
            instrument=name,
            length_s=60.0,
            reference_pitch_hz=440.0,
            slide_share=1.0,
            negative_share=0.0,
            key="E major",
            fingers=fingers,
        )
        for slide in plan.slides:
            if slide.from_note is None:
                continue
            slides += 1
            before, note = plan.notes[slide.from_note], plan.notes[slide.to_note]
            assert before.string == note.string
            assert slide.to_note == slide.from_note + 1
            base = instrument.open_midi[instrument.strings.index(note.string)]
            places = [{round(n.midi) - base - offset for offset in reach(instrument)[n.finger]} for n in (before, note)]
            assert any(a != b for a, b in product(*places))
            if slide.kind == "same_finger":
                assert before.finger == note.finger
            else:
                step = slide.step_to_midi - slide.step_from_midi
                assert np.sign(step) == np.sign(note.finger - before.finger)
    assert slides > 40
