"""Conversions that compiled loops need, compiled from the text that says them."""

from numba import njit

from pipeline import units

cents_of_ratio = njit(cache=True, inline="always")(units.cents_of_ratio)
ratio_of_cents = njit(cache=True, inline="always")(units.ratio_of_cents)
db_of_power = njit(cache=True, inline="always")(units.db_of_power)
