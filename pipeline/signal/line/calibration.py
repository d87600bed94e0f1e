"""What the tracker's posteriors are worth: probabilities that the solo sounds, and that the pitch is its own.

Posteriors of overlapping frames overstate what they know. Two logistic regressions on them and on what surrounds
them bring them back to frequencies; their coefficients are fitted in training, on sides that the network did not
learn from, and stored with its weights.
"""

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from pipeline.units import Floats

# Half width in frames over which evidence is averaged: 60 ms and 290 ms.
NEAR = 5
WIDE = 25
_LIMIT = 9.0
EVIDENCE = ("one", "own_odds", "own_odds_near", "own_odds_wide", "other_odds", "prominence")
# Coefficients where nothing was trained: the posteriors as they are.
PLAIN = np.array([[0.0, 1.0, 0.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0, 0.0, 0.0]])


def evidence(*, sounding: Floats, mass: Floats, prominence_db: Floats, voiced: bool) -> npt.NDArray[np.float64]:
    """What the regression of voicing, or that of confidence, looks at: (n, 6), the first column 1.

    Parameters
    ----------
    sounding : posterior that the solo sounds (n,).
    mass : posterior of the pitches within 40 cents of the line (n,), 0 without a line.
    prominence_db : partials against the gaps between them (n,), NaN without a line.
    """
    first, second = (sounding, mass) if voiced else (mass, sounding)
    own = _logit(first)
    prominence = np.where(np.isfinite(prominence_db), np.clip(prominence_db, -10.0, 40.0), 0.0) / 20.0
    return np.stack(
        (
            np.ones(own.size),
            own,
            mean_of_neighbours(own, half=NEAR),
            mean_of_neighbours(own, half=WIDE),
            _logit(second),
            prominence,
        ),
        axis=1,
    )


def calibrated(x: npt.NDArray[np.float64], coefficients: npt.NDArray[np.float64]) -> Floats:
    """Probabilities (n,) of a logistic regression."""
    return np.asarray(expit(x @ coefficients))


def mean_of_neighbours(values: Floats, *, half: int) -> Floats:
    """Centred moving mean over 2 half + 1 frames, shorter at the ends."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    at = np.arange(values.size)
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, values.size)
    return np.asarray((sums[high] - sums[low]) / (high - low))


def _logit(p: Floats) -> Floats:
    odds = np.log(np.maximum(p, 1e-12)) - np.log(np.maximum(1.0 - p, 1e-12))
    return np.asarray(np.clip(odds, -_LIMIT, _LIMIT))
