"""What compiled loops need of ``units`` and of probability, compiled from one text."""

import math
from typing import Any

from numba import njit

from pipeline import units

cents_of_ratio = njit(cache=True, inline="always")(units.cents_of_ratio)
ratio_of_cents = njit(cache=True, inline="always")(units.ratio_of_cents)
db_of_power = njit(cache=True, inline="always")(units.db_of_power)


@njit(cache=True, inline="always")
def bell(z: float) -> float:
    """Normal density over that at its mean, ``z`` standard deviations away."""
    return math.exp(-0.5 * z * z)


@njit(cache=True)
def log_sum(values: Any, count: int, other: float) -> float:
    """Logarithm of the sum of the exponentials of the first ``count`` of ``values`` and of one other."""
    top = other
    for i in range(count):
        top = max(top, values[i])
    total = math.exp(other - top)
    for i in range(count):
        total += math.exp(values[i] - top)
    return top + math.log(total)
