"""Notes that begin low or high: measured, no slides where it is a habit, and slides of a finger where it is none."""

import numpy as np
import pytest

from pipeline.signal.slides import learned
from pipeline.signal.slides.detect import Detection, find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from tests.helpers.pitch_lines import MadeLine, Score


def found(line: MadeLine, *, least: float = learned.LEAST_CONFIDENCE) -> Detection:
    speed_map = SpeedMap.constant(correction_cents=0.0, length_s=float(line.time_s[-1]))
    return find_notes_and_slides(
        line, speed_map=speed_map, reference_pitch_hz=440.0, spans=None, least_confidence=least
    )


def tune(*, low: dict[int, float], seconds: float = 0.14) -> Score:
    """Forty notes up and down; those of ``low`` begin so many cents below their pitch."""
    score, steps = Score(), (0, 2, 4, 7, 5, 2, 4, 2)
    for i in range(40):
        midi = 69.0 + steps[i % len(steps)]
        if i in low:
            score.glide(midi - low[i] / 100.0, midi, seconds)
        score.note(midi, 0.4)
    return score


@pytest.mark.parametrize("cents", [60.0, 80.0, 100.0, 120.0])
def test_notes_that_often_begin_low_are_no_slides_and_say_so(cents: float) -> None:
    low = dict.fromkeys(range(1, 40, 2), cents)
    detection = found(tune(low=low).line(noise_cents=3.0))
    assert detection.slides == ()
    begins = np.array([note.approach_cents for note in detection.notes])
    assert np.flatnonzero(np.isfinite(begins)).tolist() == sorted(low)
    assert begins[np.isfinite(begins)] == pytest.approx(-cents, abs=20.0)
    # The glide is a logistic one whose ends are flat: what is seen of it is shorter than the whole.
    lasting = np.array([note.approach_ms for note in detection.notes])
    assert np.nanmedian(lasting) == pytest.approx(140.0, abs=45.0)


def test_one_glide_from_a_semitone_below_is_likelier_a_slide_than_not_unless_other_notes_begin_low() -> None:
    # Note 1 lies a whole tone above note 0: a step of a semitone, then a glide of one.
    habit = dict.fromkeys(range(3, 40, 2), 100.0)
    alone, one_of_many = (
        [slide for slide in found(tune(low=low).line(noise_cents=3.0), least=0.02).slides if slide.to_note == 1]
        for low in ({1: 100.0}, {1: 100.0, **habit})
    )
    assert alone[0].confidence > 0.5
    assert alone[0].interval_cents == pytest.approx(200.0, abs=12.0)
    assert all(slide.confidence < 0.1 for slide in one_of_many)


def test_a_wide_arriving_glide_is_a_slide_even_of_a_player_who_begins_notes_low() -> None:
    # Note 3 lies three semitones above note 2: a step of one, then a glide of two.
    low = {**dict.fromkeys(range(5, 40, 3), 90.0), 3: 200.0}
    detection = found(tune(low=low).line(noise_cents=3.0))
    assert [(slide.kind, slide.to_note) for slide in detection.slides] == [("arriving_finger", 3)]
    assert np.isnan(detection.notes[3].approach_cents)


def test_the_glided_part_is_the_interval_less_the_step() -> None:
    score = Score().note(69.0, 0.5).glide(72.0, 74.0, 0.18).note(74.0, 0.5)
    (slide,) = found(score.line(noise_cents=2.0)).slides
    assert slide.interval_cents == pytest.approx(500.0, abs=12.0)
    assert slide.glided_cents == pytest.approx(200.0, abs=25.0)
    (whole,) = found(Score().note(69.0, 0.5).glide(69.0, 73.0, 0.2).note(73.0, 0.5).line()).slides
    assert whole.glided_cents == pytest.approx(whole.interval_cents)


def test_vibrato_is_no_approach() -> None:
    score = Score()
    for i in range(12):
        score.note(69.0 + 2 * (i % 3), 0.7, vibrato_hz=6.0, vibrato_cents=40.0)
    detection = found(score.line(noise_cents=3.0))
    assert all(np.isnan(note.approach_cents) for note in detection.notes)


def test_every_change_of_note_has_a_score_where_something_could_be_a_slide() -> None:
    score = Score().note(69.0, 0.5).glide(69.0, 73.0, 0.2).note(73.0, 0.5).note(71.0, 0.5)
    detection = found(score.line(noise_cents=2.0))
    assert [pair.to_note for pair in detection.transitions] == [1, 2]
    (slide,) = detection.slides
    confidence = slide.confidence
    assert detection.transitions[0].slide_score == pytest.approx(np.log(confidence / (1.0 - confidence)))
    # The second change is a clean one: nothing to judge, or judged unlikely.
    assert not detection.transitions[1].slide_score > 0.0
