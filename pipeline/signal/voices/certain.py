"""How sure it is, moment by moment, that a line was given to the right player.

The chain of ``whose`` is too careful where it doubts and too bold where it does not, for it knows of its own frames
alone. So its odds are brought home by a logistic regression, with two things that it does not weigh: whether the line
is as loud as its player is elsewhere, and how far apart in level the two players are.
"""

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from pipeline.signal.line.calibration import mean_of_neighbours
from pipeline.signal.line.texture import Line
from pipeline.signal.voices.taken_out import TRUSTED
from pipeline.units import Floats

BOUNDS = 0.5, 0.995  # of the chain's probability: beyond the upper it tells errors no better
CONSTANT, PER_ODDS, PER_DB_ABOVE, PER_DB_APART = 0.97, 0.592, 0.092, 0.035
"""Learned on the slides of 36 rendered duets at 0 and 6 dB (``benchmarks.duets --learn``), whose benchmark has others.
Of what is called .95 to .98 and more in pairs held out 99 and 98 % is right, of .9 to .95 it is 94 %."""
SOFT_DB, SOFT_WIDTH_DB = 4.0, 1.0
"""Among three and more: what lies so far under the soloist's usual level is as likely a third's, and how sharply
(``benchmarks.duets``, whose own quartets are others than these were chosen on)."""
LEVEL_S = 0.5  # over which a level is compared with the usual one (common practice, no source)


def seen(straight: Floats, solo: Line, other: Line) -> Floats:
    """What certainty rests on (n, 3): log odds of the chain, dB above the soloist's usual level, dB between players."""
    odds = logit(np.clip(np.maximum(straight, 1.0 - straight), *BOUNDS))
    apart = np.full(straight.size, abs(_usual_db(solo) - _usual_db(other)))
    return np.stack([odds, above_usual_db(solo), apart], axis=1)


def right(straight: Floats, solo: Line, other: Line) -> Floats:
    """Chance (n,) that the lines of the soloist and the other, given by ``straight``, are not the other way round."""
    weights = np.array([PER_ODDS, PER_DB_ABOVE, PER_DB_APART])
    return np.asarray(expit(CONSTANT + seen(straight, solo, other) @ weights))


def loud_enough(solo: Line) -> Floats:
    """Chance (n,) that the soloist's line is no third player's, of whom none is followed: by its level."""
    return np.where(_there(solo), expit((above_usual_db(solo) + SOFT_DB) / SOFT_WIDTH_DB), 1.0)


def above_usual_db(line: Line) -> Floats:
    """By how many dB (n,) a line is louder than it usually is, for a while around each moment; 0 where it is silent."""
    there = _there(line)
    half = round(0.5 * LEVEL_S / float(line.time_s[1] - line.time_s[0]))
    off_db = np.where(there, line.level_db - _usual_db(line), 0.0)
    near_db, share = (mean_of_neighbours(of, half=half) for of in (off_db, there.astype(np.float64)))
    return np.asarray(near_db / np.maximum(share, 1e-9))


def _there(line: Line) -> npt.NDArray[np.bool_]:
    return np.isfinite(line.level_db) & (line.confidence > TRUSTED)


def _usual_db(line: Line) -> float:
    there = _there(line)
    return float(np.median(line.level_db[there])) if there.any() else 0.0
