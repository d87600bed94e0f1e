"""The optimum path: no fingering is cheaper."""

from itertools import pairwise, product

import numpy as np
import pytest

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.synth.fingering import Stop, position_name, reach
from pipeline.signal.synth.keys import pull_of, scale_of
from pipeline.signal.synth.scale_melodies import melody
from tests.helpers.optimum_path import Taste, fingering, random_taste

PLAIN = Taste(
    travel=0.1,
    crossing=0.4,
    open_string=0.3,
    height=0.03,
    even=0.4,
    off_scale=0.6,
    stretch=0.5,
    dull=0.08,
    hop=2.0,
    gliding=0.0,
)


def _every_stop(instrument, midi: int) -> list[Stop]:
    found = []
    for string, base in enumerate(instrument.open_midi):
        places = range(1, 11)
        if midi == base:
            found += [Stop(string, 0, first, midi) for first in places]
        for finger, offsets in reach(instrument).items():
            found += [Stop(string, finger, midi - base - d, midi) for d in offsets if midi - base - d in places]
    return found


def _cost(path, *, instrument, scale, taste: Taste) -> float:
    """The definition in the docstring of ``Taste``, written out."""

    def settling(stop: Stop) -> float:
        off = (instrument.open_midi[stop.string] + stop.first) % 12 not in scale
        return taste.even * (position_name(stop.first) % 2 == 0) + taste.off_scale * off

    total = settling(path[0])
    for stop in path:
        total += taste.height * stop.first + taste.open_string * (stop.finger == 0)
        if stop.string < 3:
            total += taste.dull * max(stop.midi - instrument.open_midi[stop.string] - 7, 0)
        if stop.finger == 4:
            total += taste.stretch * (
                stop.midi - instrument.open_midi[stop.string] - stop.first > instrument.frame_semitones
            )
    for a, b in pairwise(path):
        total += taste.crossing * abs(a.string - b.string)
        if a.first != b.first:
            total += 1.0 + taste.travel * abs(a.first - b.first) + settling(b)
            total -= taste.gliding if (a.string, a.finger) == (b.string, b.finger) and a.finger else 0.0
        elif (a.string, a.finger) == (b.string, b.finger) and a.finger and a.midi != b.midi:
            total += taste.hop
    return total


def test_no_other_fingering_is_cheaper():
    instrument = INSTRUMENTS["cello"]
    for seed, line in enumerate(([45, 47, 50], [57, 60, 59], [50, 55, 57])):
        rng = np.random.default_rng(seed)
        taste = random_taste(rng)
        scale = scale_of("C major")
        found = fingering(line, instrument=instrument, scale=scale, taste=taste)
        every = product(*(_every_stop(instrument, midi) for midi in line))
        least = min(_cost(path, instrument=instrument, scale=scale, taste=taste) for path in every)
        assert _cost(found, instrument=instrument, scale=scale, taste=taste) == pytest.approx(least)


def test_handbook_scale_in_first_position():
    """G major by one fond of open strings, all in first position (common practice, from memory)."""
    line = [55, 57, 59, 60, 62, 64, 66, 67, 69, 71, 72, 74, 76, 78, 79]
    fond = Taste(**{**PLAIN.__dict__, "open_string": -0.1})
    found = fingering(line, instrument=INSTRUMENTS["violin"], scale=scale_of("G major"), taste=fond)
    assert [(s.string, s.finger) for s in found] == [
        *((0, f) for f in range(4)),
        *((1, f) for f in range(4)),
        *((2, f) for f in range(4)),
        *((3, f) for f in range(3)),
    ]


def test_lovers_of_one_string_shift_more():
    rng = np.random.default_rng(8)
    instrument, key = INSTRUMENTS["violin"], "D major"
    line = melody(rng, instrument=instrument, pull=pull_of(key), notes=150)
    shifts, crossings = [], []
    for crossing in (0.3, 4.0):
        taste = Taste(**{**PLAIN.__dict__, "crossing": crossing})
        path = fingering(line, instrument=instrument, scale=scale_of(key), taste=taste)
        shifts.append(sum(a.first != b.first for a, b in pairwise(path)))
        crossings.append(sum(a.string != b.string for a, b in pairwise(path)))
    assert shifts[1] > 2 * shifts[0]
    assert crossings[1] < crossings[0]
