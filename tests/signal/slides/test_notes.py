"""A short note of a run that creeps is a note where no glide was heard, and a way between notes where one was."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.signal.slides.detect import find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from tests.helpers.pitch_lines import Score


@pytest.mark.parametrize(
    ("gliding", "after_s", "notes"),
    [(0.05, 0.15, [66, 68, 70]), (0.95, 0.15, [66, 70]), (0.05, 0.6, [66, 70])],
    ids=["in a run", "heard to glide", "low beginning of a long note"],
)
def test_what_creeps_between_two_notes_is_a_note_of_a_run_unless_a_glide_was_heard(
    gliding: float, after_s: float, notes: list[int]
) -> None:
    creeping = Score().note(66.0, 0.2).glide(67.7, 68.6, 0.11, shape="linear").note(70.0, after_s)
    line = creeping.line(noise_cents=2.0)
    line = replace(line, gliding=np.where((line.time_s > 0.48) & (line.time_s < 0.63), gliding, 0.0))
    heard = find_notes_and_slides(
        line,
        speed_map=SpeedMap.constant(correction_cents=0.0, length_s=float(line.time_s[-1])),
        reference_pitch_hz=440.0,
        spans=None,
    )
    assert [round(note.midi) for note in heard.notes] == notes
