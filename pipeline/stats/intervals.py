"""Intervals in closed form: Poisson rates, proportions, and ratios and differences of what has an interval.

These take observations as independent. Slides are not: rates over sides use ``stats.rates``, and these stand
beside them for contrast. References: Garwood, Biometrika 28 (1936) for Poisson limits; Wilson, JASA 22 (1927);
Zou and Donner, Statistics in Medicine 27 (2008) for comparing two quantities by their own intervals.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

LEVEL = 0.95  # common practice, no source


@dataclass(frozen=True)
class Interval:
    """An estimate with its limits."""

    estimate: float
    low: float
    high: float


def poisson_interval(count: float, *, exposure: float, level: float = LEVEL) -> Interval:
    """Exact (Garwood) interval of a Poisson rate; counts with fractions (shares of takes) are allowed.

    Raises
    ------
    ValueError
        If the count is negative or the exposure is not positive.

    No slides in 3.5 minutes: at most so many a minute.

    >>> round(poisson_interval(0, exposure=3.5).high, 3)
    1.054
    """
    if count < 0 or not exposure > 0:
        raise ValueError(f"count {count} must not be negative, exposure {exposure} must be positive")
    tail = (1 - level) / 2
    low = special.gammaincinv(count, tail) if count > 0 else 0.0
    high = special.gammainccinv(count + 1, tail)
    return Interval(count / exposure, float(low) / exposure, float(high) / exposure)


def wilson_interval(successes: float, *, trials: float, level: float = LEVEL) -> Interval:
    """Wilson's score interval of a proportion, without continuity correction.

    Raises
    ------
    ValueError
        If there are no trials, or more successes than trials.

    Newcombe (1998) gives 0.2553 to 0.3662 for 81 of 263.

    >>> found = wilson_interval(81, trials=263)
    >>> round(found.low, 4), round(found.high, 4)
    (0.2553, 0.3662)
    """
    if not trials > 0 or not 0 <= successes <= trials:
        raise ValueError(f"{successes} of {trials}: give 0 <= successes <= trials, trials above 0")
    z = float(special.ndtri(0.5 + level / 2))
    share = successes / trials
    middle = (share + z**2 / (2 * trials)) / (1 + z**2 / trials)
    half = z * np.sqrt(share * (1 - share) / trials + z**2 / (4 * trials**2)) / (1 + z**2 / trials)
    low = 0.0 if successes == 0 else float(middle - half)
    high = 1.0 if successes == trials else float(middle + half)
    return Interval(share, low, high)


def ratio_of(first: Interval, second: Interval) -> Interval:
    """First over second, both independent, from their own intervals on the logarithm (Zou and Donner).

    A limit that their intervals leave open is 0 or infinite; NaN where the second estimate is 0.
    """
    if not second.estimate > 0:
        return Interval(np.nan, np.nan, np.nan)
    ratio = first.estimate / second.estimate
    with np.errstate(divide="ignore", invalid="ignore"):
        if first.estimate == 0:
            return Interval(0.0, 0.0, float(np.divide(first.high, second.low)))
        down = np.hypot(np.log(np.divide(first.estimate, first.low)), np.log(second.high / second.estimate))
        up = np.hypot(np.log(first.high / first.estimate), np.log(np.divide(second.estimate, second.low)))
        return Interval(ratio, float(ratio * np.exp(-down)), float(ratio * np.exp(up)))


def difference_of(first: Interval, second: Interval) -> Interval:
    """First less second, both independent, from their own intervals (Zou and Donner)."""
    difference = first.estimate - second.estimate
    down = np.hypot(first.estimate - first.low, second.high - second.estimate)
    up = np.hypot(first.high - first.estimate, second.estimate - second.low)
    return Interval(difference, float(difference - down), float(difference + up))


def product_of(first: Interval, second: Interval) -> Interval:
    """First times second, both independent, from their own intervals on the logarithm (Zou and Donner).

    Where a limit is 0 the limits are products.
    """
    estimate = first.estimate * second.estimate
    if min(first.low, second.low) <= 0:
        return Interval(estimate, first.low * second.low, first.high * second.high)
    down = np.hypot(np.log(first.estimate / first.low), np.log(second.estimate / second.low))
    up = np.hypot(np.log(first.high / first.estimate), np.log(second.high / second.estimate))
    return Interval(estimate, float(estimate * np.exp(-down)), float(estimate * np.exp(up)))
