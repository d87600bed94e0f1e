"""Medians and spreads of short stretches, compiled: numpy's are slow on a few dozen values."""

import numpy as np
from numba import njit

from pipeline.units import Floats


@njit(cache=True)
def median_of_known(values: Floats) -> float:
    """Median of the values that are not NaN or infinite; NaN if there are none."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return np.nan
    known.sort()
    half = known.size // 2
    return float(known[half] if known.size % 2 else 0.5 * (known[half - 1] + known[half]))


@njit(cache=True)
def spread_of_known(values: Floats) -> float:
    """Standard deviation of the values that are not NaN or infinite; NaN if there are none."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return np.nan
    mean = known.mean()
    return float(np.sqrt(np.mean((known - mean) ** 2)))
