"""What compiled loops need of ``units`` and of probability, compiled from one text."""

import math

from numba import njit

from pipeline import units

cents_of_ratio = njit(cache=True, inline="always")(units.cents_of_ratio)
ratio_of_cents = njit(cache=True, inline="always")(units.ratio_of_cents)
db_of_power = njit(cache=True, inline="always")(units.db_of_power)


@njit(cache=True, inline="always")
def bell(z: float) -> float:
    """Normal density over that at its mean, ``z`` standard deviations away."""
    return math.exp(-0.5 * z * z)
