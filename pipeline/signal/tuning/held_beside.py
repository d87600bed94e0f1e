"""Are other tones held all along a side, as loud as the line that was followed? Then no solo can be told in it.

A bow holds two strings at once, and what accompanies a soloist fades as a piano's tones do or stays behind. Where two
and more tones beside the line neither fade nor swell and are as loud as it, that line is now one player's of a band,
now another's.
"""

import numpy as np

from pipeline.signal.tuning.partials import HOP, RATE_HZ, Peaks
from pipeline.units import Floats

# A tone is held from this long on if its level moves no faster, and as loud if it lies so far below the line at most
# (trial). Real pianos' tones fall by 4 dB a second and more, those of winds by none.
_LEAST_S, _MOST_DB_PER_S, _BELOW_DB = 0.37, 3.0, 6.0
_AT_ONCE = 2
_OVERTONE_SHARE = 0.5  # a tone is a partial of a lower one if it is in this share of its frames
_ENDS = 2  # frames at either end of a tone whose windows reach beyond it


def held_beside(peaks: Peaks) -> float:
    """Share, 0 to 1, of the time of the line in which two and more other tones are held as loud as it."""
    size = np.bincount(peaks.track) if peaks.track.size else np.empty(0, dtype=np.int64)
    overtone = np.bincount(peaks.track, peaks.overtone, size.size) >= _OVERTONE_SHARE * size
    order = np.argsort(peaks.track, kind="stable")
    ends = np.cumsum(size)
    held = np.zeros(peaks.line_level_db.size)
    for track in np.flatnonzero((size * HOP / RATE_HZ >= _LEAST_S) & ~overtone):
        tone = order[ends[track] - size[track] : ends[track]]
        if abs(_slope(peaks.level_db[tone][_ENDS:-_ENDS])) < _MOST_DB_PER_S:
            at = peaks.frame[tone]
            held[at] += peaks.level_db[tone] > peaks.line_level_db[at] - _BELOW_DB
    followed = np.isfinite(peaks.line_level_db)
    return float(np.mean(held[followed] >= _AT_ONCE)) if followed.any() else 0.0


def _slope(level_db: Floats) -> float:
    # by least squares, dB a second
    at_s = np.arange(level_db.size) * HOP / RATE_HZ
    at_s -= at_s.mean()
    return float(at_s @ level_db / (at_s @ at_s))
