"""A note struck again on one pitch is two notes; what passes between two notes, well under both, is none."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.signal.slides.detect import Detection, find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.units import Floats
from tests.helpers.pitch_lines import MadeLine, Score


def found(line: MadeLine, more_db: Floats) -> Detection:
    """What is found in the line when it, and all that sounds, is so much louder."""
    return find_notes_and_slides(
        replace(line, level_db=line.level_db + more_db, sound_db=line.sound_db + more_db),
        speed_map=SpeedMap.constant(correction_cents=0.0, length_s=float(line.time_s[-1])),
        reference_pitch_hz=440.0,
        spans=None,
    )


def dips_db(line: MadeLine, at_s: list[float], *, depth_db: float, half_s: float) -> Floats:
    """Dips of this depth, pointed like those of a new stroke, about these times."""
    off = np.min([np.abs(line.time_s - at) for at in at_s], axis=0)
    return np.asarray(-depth_db * np.maximum(1.0 - off / half_s, 0.0))


@pytest.mark.parametrize("strokes_s", [[1.2], [1.0, 1.2, 1.4]], ids=["twice", "four times"])
def test_a_note_struck_again_is_as_many_notes_and_no_chance_to_slide(strokes_s: list[float]) -> None:
    line = Score().note(69.0, 0.5).note(71.0, 0.8).note(73.0, 0.5).line(noise_cents=2.0)
    heard = found(line, dips_db(line, strokes_s, depth_db=14.0, half_s=0.04))
    assert [round(note.midi) for note in heard.notes] == [69, *[71] * (len(strokes_s) + 1), 73]
    assert [note.transfer_start_s for note in heard.notes[2:-1]] == pytest.approx(strokes_s, abs=0.02)
    assert sum(t.exposure for t in heard.transitions) == 2
    assert not heard.slides


@pytest.mark.parametrize(("in_the_line", "notes"), [(True, [69, 71, 71, 73]), (False, [69, 71, 73])])
def test_a_blunt_dip_is_a_new_stroke_where_the_partials_of_the_line_share_it(
    in_the_line: bool, notes: list[int]
) -> None:
    line = Score().note(69.0, 0.5).note(71.0, 0.8).note(73.0, 0.5).line(noise_cents=2.0)
    dip = -8.0 * np.exp(-0.5 * ((line.time_s - 1.2) / 0.03) ** 2)
    heard = find_notes_and_slides(
        replace(line, level_db=line.level_db + dip * in_the_line, sound_db=line.sound_db + dip),
        speed_map=SpeedMap.constant(correction_cents=0.0, length_s=float(line.time_s[-1])),
        reference_pitch_hz=440.0,
        spans=None,
    )
    assert [round(note.midi) for note in heard.notes] == notes


def test_a_note_that_swells_with_its_vibrato_stays_one() -> None:
    line = Score().note(69.0, 0.5).note(71.0, 0.8).note(73.0, 0.5).line(noise_cents=2.0)
    swings = np.where((line.time_s > 0.8) & (line.time_s < 1.6), 4.0 * np.sin(2 * np.pi * 6.0 * line.time_s), 0.0)
    assert [round(note.midi) for note in found(line, swings).notes] == [69, 71, 73]


@pytest.mark.parametrize(
    ("length_s", "under_db", "notes"), [(0.05, 12.0, [69, 76]), (0.05, 3.0, [69, 72, 76]), (0.12, 12.0, [69, 72, 76])]
)
def test_only_what_is_short_and_well_under_both_notes_is_none(
    length_s: float, under_db: float, notes: list[int]
) -> None:
    line = Score().note(69.0, 0.5).note(72.0, length_s).note(76.0, 0.5).line(noise_cents=2.0)
    between = (line.time_s >= 0.8) & (line.time_s < 0.8 + length_s)
    heard = found(line, np.where(between, -under_db, 0.0))
    assert [round(note.midi) for note in heard.notes] == notes
