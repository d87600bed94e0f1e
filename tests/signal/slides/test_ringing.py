"""What only rings is no note; what is bowed softly, or fades under the bow, stays one."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from pipeline.signal.slides.detect import Detection, find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.units import Floats
from tests.helpers.pitch_lines import Score

AT_S, LONG_S = 1.6, 0.3


def found(again_db: Callable[[Floats], Floats]) -> Detection:
    """Open A, B, the A again with these levels by the seconds since it came back, and C sharp."""
    line = Score().note(69.0, 0.7).note(71.0, 0.6).note(69.0, LONG_S).note(73.0, 0.6).line(noise_cents=2.0)
    again = (line.time_s >= AT_S) & (line.time_s < AT_S + LONG_S)
    level_db = np.where(again, again_db(line.time_s - AT_S), line.level_db)
    return find_notes_and_slides(
        replace(line, level_db=level_db),
        speed_map=SpeedMap.constant(correction_cents=0.0, length_s=float(line.time_s[-1])),
        reference_pitch_hz=440.0,
        spans=None,
    )


def test_a_string_that_rings_after_another_note_is_no_note_and_no_chance() -> None:
    heard = found(lambda since_s: -14.0 - 40.0 * since_s)
    assert [round(note.midi) for note in heard.notes] == [69, 71, 73]
    assert [round(t.interval_cents / 100) for t in heard.transitions] == [2, 2]
    assert heard.ringing == (pytest.approx((AT_S, AT_S + LONG_S), abs=0.02),)
    assert not heard.slides


@pytest.mark.parametrize(
    "again_db",
    [
        lambda since_s: -14.0 + 0.0 * since_s,
        lambda since_s: -14.0 - 9.0 * since_s,
        lambda since_s: -18.0 + np.minimum(80.0 * since_s, 5.0) - np.maximum(40.0 * (since_s - 0.1), 0.0),
        lambda since_s: -4.0 - 15.0 * since_s,
    ],
    ids=["held softly", "fading slowly", "swelling first", "as loud as before"],
)
def test_a_note_that_is_bowed_again_stays(again_db: Callable[[Floats], Floats]) -> None:
    heard = found(again_db)
    assert [round(note.midi) for note in heard.notes] == [69, 71, 69, 73]
    assert heard.ringing == ()


def test_the_end_of_a_note_that_rings_on_is_named_and_the_note_stays() -> None:
    heard = found(lambda since_s: np.where(since_s < 0.18, -1.0, -13.0 - 50.0 * (since_s - 0.18)))
    assert [round(note.midi) for note in heard.notes] == [69, 71, 69, 73]
    assert heard.ringing == (pytest.approx((AT_S + 0.18, AT_S + LONG_S), abs=0.03),)
