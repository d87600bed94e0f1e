"""How alike listeners' measures of the same slides are: durations, intervals, starts and ends.

Intraclass correlations of n items by k listeners from the two-way analysis of variance (Shrout and Fleiss,
Psychological Bulletin 86, 1979; McGraw and Wong, Psychological Methods 1, 1996). For durations (logarithm of ms) and
intervals (cents) the one to print is (2,1): two-way random, single listener, absolute agreement, beside the standard
error of measurement sqrt(MSE). Starts and ends get none, since their place in the side makes any such correlation 1;
for them the limits of agreement (Bland and Altman, Statistical Methods in Medical Research 8, 1999). Whether there was
a slide, its kind and how sure: Krippendorff's alpha (``stats.agreement``).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.stats.intervals import LEVEL, Interval
from pipeline.units import Floats

REPLICATES = 1000  # resamples: the error of a limit is 2 % of the width


@dataclass(frozen=True)
class Intraclass:
    """The six forms by Shrout and Fleiss's numbers, and the standard error of measurement in the measure's unit."""

    one_way_single: float
    random_single: float
    fixed_single: float
    one_way_mean: float
    random_mean: float
    fixed_mean: float
    error: float


def intraclass(measures: npt.ArrayLike) -> Intraclass | None:
    """Intraclass correlations of a complete table.

    Parameters
    ----------
    measures : shape (items, listeners).

    Returns
    -------
    None with fewer than two items or listeners, or if all measures are the same.
    """
    x = np.asarray(measures, dtype=np.float64)
    n, k = x.shape
    if n < 2 or k < 2 or np.ptp(x) == 0:
        return None
    rows, columns, grand = x.mean(axis=1), x.mean(axis=0), float(x.mean())
    msr = k * float(((rows - grand) ** 2).sum()) / (n - 1)
    msc = n * float(((columns - grand) ** 2).sum()) / (k - 1)
    mse = float(((x - rows[:, None] - columns + grand) ** 2).sum()) / ((n - 1) * (k - 1))
    msw = float(((x - rows[:, None]) ** 2).sum()) / (n * (k - 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        return Intraclass(
            one_way_single=float(np.divide(msr - msw, msr + (k - 1) * msw)),
            random_single=float(np.divide(msr - mse, msr + (k - 1) * mse + k * (msc - mse) / n)),
            fixed_single=float(np.divide(msr - mse, msr + (k - 1) * mse)),
            one_way_mean=float(np.divide(msr - msw, msr)),
            random_mean=float(np.divide(msr - mse, msr + (msc - mse) / n)),
            fixed_mean=float(np.divide(msr - mse, msr)),
            error=float(np.sqrt(mse)),
        )


@dataclass(frozen=True)
class LimitsOfAgreement:
    """Mean difference with its t interval, standard deviation of the differences, and the range of 95 % of them."""

    mean: Interval
    sd: float
    low: float
    high: float
    pairs: int


def limits_of_agreement(
    first: npt.ArrayLike, second: npt.ArrayLike, *, level: float = LEVEL
) -> LimitsOfAgreement | None:
    """Second less first over pairs, shape (pairs,) each; None with fewer than two pairs."""
    apart: Floats = np.asarray(second, dtype=np.float64) - np.asarray(first, dtype=np.float64)
    if apart.size < 2:
        return None
    mean, sd = float(apart.mean()), float(apart.std(ddof=1))
    half = float(stats.t.ppf(0.5 + level / 2, apart.size - 1)) * sd / float(np.sqrt(apart.size))
    reach = float(stats.norm.ppf(0.5 + level / 2)) * sd
    return LimitsOfAgreement(Interval(mean, mean - half, mean + half), sd, mean - reach, mean + reach, apart.size)


def over_items(
    statistic: Callable[[npt.NDArray[np.intp]], float],
    items: int,
    *,
    seed: tuple[int, ...],
    replicates: int = REPLICATES,
    level: float = LEVEL,
) -> Interval:
    """A statistic of items with limits from resampling the items (Efron's percentiles).

    Parameters
    ----------
    statistic : of the numbers of the items taken, some more than once.
    """
    rng = np.random.default_rng(list(seed))
    drawn = np.array([statistic(rng.integers(0, items, items)) for _ in range(replicates)])
    known = drawn[np.isfinite(drawn)]
    estimate = statistic(np.arange(items))
    if not known.size:
        return Interval(estimate, np.nan, np.nan)
    low, high = np.quantile(known, [(1 - level) / 2, (1 + level) / 2])
    return Interval(estimate, float(low), float(high))


def self_agreement(same: int, pairs: int, *, level: float = LEVEL) -> Interval:
    """Share of items judged twice by one listener with the same answer, exact limits (Clopper and Pearson 1934).

    Raises
    ------
    ValueError
        If no item was judged twice.
    """
    if pairs < 1:
        raise ValueError("no item was judged twice")
    made = stats.binomtest(same, pairs).proportion_ci(confidence_level=level, method="exact")
    return Interval(same / pairs, float(made.low), float(made.high))
