"""How a note begins: with a new bow stroke, under the slur, or one cannot tell.

A bow change shows as a short dip of the level, or as a jump of it, at the border of two notes; under a slur the
level goes on. Heavy noise or accompaniment hides both: the dip is then shallow against the spread of the level.
"""

import numpy as np

from pipeline.units import Floats


def rebowed_probability(level_db: Floats, *, border: float, frame_s: float) -> float:
    """Probability that a new stroke begins at frame ``border``; NaN where the level is unknown.

    The dip is the lowest level within 40 ms of the border below the lower of the medians of the 120 ms on
    either side; 4 dB is even odds, 10 dB all but certain (common practice, no source).
    """
    near = max(2, round(0.04 / frame_s))
    far = max(6, round(0.12 / frame_s))
    at = round(border)
    left = level_db[max(at - near - far, 0) : max(at - near, 0)]
    right = level_db[at + near : at + near + far]
    middle = level_db[max(at - near, 0) : at + near + 1]
    if not (np.isfinite(left).any() and np.isfinite(right).any() and np.isfinite(middle).any()):
        return float("nan")
    before, after = float(np.nanmedian(left)), float(np.nanmedian(right))
    dip = min(before, after) - float(np.nanmin(middle))
    spread = min(float(np.nanstd(left)), float(np.nanstd(right)))
    evidence = dip - 1.5 * spread
    return float(1.0 / (1.0 + np.exp(-(evidence - 4.0) / 1.5)))


def begins(probability: float) -> str:
    """``rebowed``, ``slurred`` or ``cannot_tell``."""
    if not np.isfinite(probability) or 0.3 < probability < 0.7:
        return "cannot_tell"
    return "rebowed" if probability >= 0.7 else "slurred"
