"""The demo's players: each takes of all fingers those that he likes best, and likes other ones than the next player."""

from itertools import pairwise, product

import numpy as np
import pytest

from pipeline.demonstration.players import fingers_of
from pipeline.instruments import INSTRUMENTS
from pipeline.signal.synth.fingering import reach
from pipeline.signal.synth.keys import pull_of
from pipeline.signal.synth.scale_melodies import melody

LINE = (67, 69, 71, 72, 74, 76, 78, 79, 81, 83, 84, 83, 79, 76, 74, 71, 72, 69, 66, 67)
LENGTHS_S = (0.5,) * len(LINE)


def played(seed: int, *, instrument: str = "violin", line=LINE):
    """Stops of one player."""
    return fingers_of(seed, instrument=instrument, one_string=0.0, same_finger=0.0)(line, LENGTHS_S)


@pytest.mark.parametrize("instrument", ["violin", "cello"])
def test_every_stop_sounds_its_note_in_the_frame_of_the_hand(instrument: str) -> None:
    known = INSTRUMENTS[instrument]
    line = [midi - 19 * (instrument == "cello") for midi in LINE]
    for seed in range(5):
        for stop, midi in zip(played(seed, instrument=instrument, line=line), line, strict=True):
            above = midi - known.open_midi[stop.string]
            assert stop.midi == midi
            assert above == 0 if stop.finger == 0 else above - stop.first in reach(known)[stop.finger]


def test_players_differ_and_each_plays_alike_each_time() -> None:
    ways = [[(stop.string, stop.finger) for stop in played(seed)] for seed in range(8)]
    assert [(stop.string, stop.finger) for stop in played(0)] == ways[0]
    alike = [np.mean([a == b for a, b in zip(*pair, strict=True)]) for pair in product(ways, ways)]
    assert len({tuple(way) for way in ways}) >= 4
    assert np.mean(alike) > 0.5  # of one tradition all the same


def test_lovers_of_one_string_cross_less() -> None:
    line = melody(
        np.random.default_rng(8), instrument=INSTRUMENTS["violin"], pull=pull_of("D major"), notes=120, top=17
    )
    crossings = []
    for fond in (0.0, 2.0):
        fingers = fingers_of(3, instrument="violin", one_string=fond, same_finger=0.0)
        crossings.append(sum(a.string != b.string for a, b in pairwise(fingers(line, [0.5] * len(line)))))
    assert crossings[1] < 0.8 * crossings[0]
