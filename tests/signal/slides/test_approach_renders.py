"""Notes that begin low or high in a rendered side: what was planned is what sounds."""

import numpy as np
import pytest

from pipeline.signal.synth.curve import pitch_curve
from pipeline.signal.synth.plan import Plan, PlannedNote


def test_a_note_planned_to_begin_low_does_and_comes_in_within_its_time() -> None:
    notes = (
        PlannedNote(0.0, 1.0, 69.0),
        PlannedNote(1.0, 2.0, 72.0, approach_cents=-80.0, approach_s=0.14, change_s=0.01),
    )
    plan = Plan("violin", notes, (), 2.0, "A minor", 440.0)
    at = np.array([0.9, 0.99, 1.0, 1.006, 1.07, 1.14, 1.5])
    # Half a cosine: half of the way is made after half of the time.
    expected = [69.0, 69.0, 0.5 * (69.0 + 71.2), 71.2, 71.6, 72.0, 72.0]
    assert pitch_curve(plan, at) == pytest.approx(expected, abs=0.02)
