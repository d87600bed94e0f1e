"""How a note begins: with a new bow stroke, under the slur, or one cannot tell.

A bow change shows as a short dip of the level at the border of two notes; under a slur the level goes on. Heavy
noise or accompaniment hides it: the dip is then shallow against the unrest of the level around it.
"""

import numpy as np

from pipeline.signal.middles import median_of_known, spread_of_known
from pipeline.units import Floats

NEAR_S = 0.045
FAR_S = 0.12
EVEN_ODDS_DB = 3.5
SLOPE_DB = 1.2


def dip_db(level_db: Floats, *, border: float, frame_s: float) -> float:
    """Depth of the dip of the level at frame ``border``, beyond the unrest of the level beside it; NaN if unknown.

    The lowest level within ``NEAR_S`` of the border is set against the lower of the medians of the ``FAR_S`` on
    either side; one standard deviation of the calmer side is taken off.
    """
    near = max(2, round(NEAR_S / frame_s))
    far = max(6, round(FAR_S / frame_s))
    at = round(border)
    left = level_db[max(at - near - far, 0) : max(at - near, 0)]
    right = level_db[max(at + near, 0) : max(at + near + far, 0)]
    middle = level_db[max(at - near, 0) : max(at + near + 1, 0)]
    middle = middle[np.isfinite(middle)]
    if not middle.size:
        return float("nan")
    dip = min(median_of_known(left), median_of_known(right)) - float(middle.min())
    return float(dip - min(spread_of_known(left), spread_of_known(right)))


def rebowed_probability(level_db: Floats, *, border: float, frame_s: float) -> float:
    """Probability that a new stroke begins at frame ``border``; NaN where the level is unknown."""
    dip = dip_db(level_db, border=border, frame_s=frame_s)
    return float(1.0 / (1.0 + np.exp(-(dip - EVEN_ODDS_DB) / SLOPE_DB)))


def begins(probability: float) -> str:
    """``rebowed``, ``slurred`` or ``cannot_tell``."""
    if not np.isfinite(probability) or 0.3 < probability < 0.7:
        return "cannot_tell"
    return "rebowed" if probability >= 0.7 else "slurred"
