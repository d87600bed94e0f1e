"""Melodies stay in their scale and on the instrument."""

from itertools import pairwise

import numpy as np
import pytest

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.synth.keys import pull_of, scale_of
from pipeline.signal.synth.scale_melodies import melody


@pytest.mark.parametrize("name", sorted(INSTRUMENTS))
def test_a_melody_stays_in_its_scale_and_compass(name):
    instrument = INSTRUMENTS[name]
    for seed in range(5):
        line = melody(np.random.default_rng(seed), instrument=instrument, pull=pull_of("E minor"), notes=80)
        assert len(line) == 80
        assert {midi % 12 for midi in line} <= scale_of("E minor")
        assert min(line) > instrument.open_midi[0]
        assert all(a != b for a, b in pairwise(line))
