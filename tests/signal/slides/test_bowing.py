"""New bow strokes told from slurs in made lines, where the loudness is known."""

import numpy as np
import pytest

from pipeline.signal.slides import bowing
from pipeline.signal.slides.detect import Detection, find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from tests.helpers.pitch_lines import MadeLine, Score


def three_notes(*, dips_db: tuple[float, float], unrest_db: float = 0.3) -> Detection:
    """Three notes a step apart; the sound dips for 50 ms at either border."""
    score = Score().note(69.0, 0.6)
    borders = [score.now_s, score.note(71.0, 0.6).now_s]
    line = score.note(67.0, 0.6).line(noise_cents=2.0)
    rng = np.random.default_rng(4)
    sounding = np.isfinite(line.f0_hz)
    sound = np.where(sounding, -20.0 + rng.normal(0.0, unrest_db, line.time_s.size), -70.0)
    for border, depth in zip(borders, dips_db, strict=True):
        sound -= depth * np.exp(-(((line.time_s - border) / 0.02) ** 2))
    made = MadeLine(**{**vars(line), "sound_db": sound, "level_db": sound - 1.0})
    speed_map = SpeedMap.identity(float(line.time_s[-1]))
    return find_notes_and_slides(made, speed_map=speed_map, reference_pitch_hz=440.0, spans=None)


def test_a_dip_of_the_sound_is_a_new_stroke_and_an_even_sound_a_slur() -> None:
    notes = three_notes(dips_db=(9.0, 0.0)).notes
    assert len(notes) == 3
    assert notes[1].begins == "rebowed"
    assert notes[2].begins == "slurred"
    assert notes[1].rebowed_probability > 0.8 > 0.2 > notes[2].rebowed_probability


def test_out_of_silence_a_note_begins_with_a_new_stroke() -> None:
    line = Score().note(69.0, 0.5).rest(0.6).note(69.0, 0.5).line(noise_cents=2.0)
    speed_map = SpeedMap.identity(float(line.time_s[-1]))
    found = find_notes_and_slides(line, speed_map=speed_map, reference_pitch_hz=440.0, spans=None)
    assert [note.begins for note in found.notes] == ["rebowed", "rebowed"]
    pair = found.transitions[0]
    assert (pair.slurred_probability, pair.exposure) == (0.0, False)
    assert pair.gap_ms == pytest.approx(600.0, abs=30.0)


@pytest.mark.parametrize("depth", [3.0, 6.0, 12.0])
def test_depth_of_a_dip_is_measured_against_both_sides(depth: float) -> None:
    frame_s = 0.0058
    level = np.full(100, -20.0)
    level[48:52] -= depth
    assert bowing.dip_db(level, border=50.0, frame_s=frame_s) == pytest.approx(depth, abs=1e-9)
    assert bowing.dip_db(np.full(100, -20.0), border=50.0, frame_s=frame_s) == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(bowing.dip_db(np.full(100, np.nan), border=50.0, frame_s=frame_s))


def test_middling_probabilities_are_not_told() -> None:
    assert [bowing.begins(p) for p in (0.05, 0.5, 0.95, float("nan"))] == [
        "slurred",
        "cannot_tell",
        "rebowed",
        "cannot_tell",
    ]
