"""Which of two players plays a written part: the one whose notes lie along it, however loud or high."""

import numpy as np

from pipeline.signal.passages.lay import lay
from pipeline.signal.passages.part import Part
from pipeline.signal.slides.frames import AsItIs, Line, prepare
from pipeline.signal.slides.notes import find_spans
from pipeline.units import A4_HZ

PER_NOTE, MOST = 0.5, 8.0
"""Log odds of a note more that is placed on the part, for notes of a tune hang together, and most that all are worth
(``benchmarks.duets``, whose own pairs are others than it was chosen on)."""


def odds_by_part(part: Part, one: Line, other: Line) -> float:
    """Log odds that the ``one`` line is played from the part and not the ``other``; 0 where neither lies on it."""
    return float(np.clip(PER_NOTE * (_placed(part, one) - _placed(part, other)), -MOST, MOST))


def _placed(part: Part, line: Line) -> float:
    """How many notes of a line are placed on the part, doubtful ones by their probabilities."""
    frames = prepare(line, speed_map=AsItIs(), reference_pitch_hz=A4_HZ, spans=None)
    notes = find_spans(frames)
    midi, start = (np.array([getattr(note, name) for note in notes], dtype=np.float64) for name in ("level", "start"))
    fit = lay(part, midi=midi, start_s=start * frames.frame_s)
    return float(fit.probability[fit.placed].sum()) if fit.state == "placed" else 0.0
