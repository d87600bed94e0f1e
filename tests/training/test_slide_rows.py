"""What candidates are called when slides are learned: what a reader who knows the plan would count them as."""

import numpy as np
import pytest

from pipeline.kinds import KINDS
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.synth.plan import Plan, PlannedNote, PlannedSlide, TrueSlide, Truth
from pipeline.training.slide_rows import rows_of_side
from tests.helpers.pitch_lines import MadeLine, Score


def kinds_of(line: MadeLine, *, start_s: float, end_s: float, to_midi: float) -> list[int]:
    """What the candidates of a line are called if a slide from A4 was planned so."""
    length_s = float(line.time_s[-1])
    grid = np.arange(int(1000.0 * length_s)) / 1000.0
    planned = PlannedSlide(0, 1, "same_finger", start_s, end_s, 69.0, to_midi, shape="linear")
    tenth = 0.1 * (end_s - start_s)
    audible = (start_s + tenth, end_s - tenth)
    truth = Truth(
        transfer_time_s=grid,
        f0_hz=np.full(grid.size, 440.0),
        correction_cents=np.zeros(grid.size),
        slides=(TrueSlide(planned, start_s, end_s, *audible, *audible),),
        plan=Plan(
            instrument="violin",
            notes=(PlannedNote(0.0, start_s, 69.0), PlannedNote(end_s, length_s, to_midi)),
            slides=(planned,),
            length_s=length_s,
            key="A minor",
            reference_pitch_hz=440.0,
        ),
        true_time_s=grid,
    )
    speed_map = SpeedMap.constant(correction_cents=0.0, length_s=length_s)
    return list(rows_of_side(line, truth, speed_map=speed_map, reference_pitch_hz=440.0).kind)


@pytest.mark.parametrize(
    ("late_s", "to_midi", "expected"),
    [
        (0.0, 73.0, [KINDS.index("same_finger")]),
        (0.16, 73.0, [-1]),  # met by a corner
        (1.0, 73.0, [-1]),
        (0.0, 65.0, [-1]),  # the other way
        (0.0, 81.0, []),  # at its time, but not it
    ],
)
def test_candidates_are_called_what_they_would_count_as(late_s: float, to_midi: float, expected: list[int]) -> None:
    line = Score().note(69.0, 0.6).glide(69.0, 73.0, 0.2, shape="linear").note(73.0, 1.5).line(noise_cents=2.0)
    start_s = 0.9 + late_s
    assert kinds_of(line, start_s=start_s, end_s=start_s + 0.2, to_midi=to_midi) == expected
