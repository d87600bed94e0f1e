"""Two groups compared: ratio and difference of their rates, with groups that may share clusters.

Where both groups have ten clusters or more, the clusters of both are resampled together, one that stands in both
(a player recorded in two periods) with the same weight in each; limits are then those of ``stats.rates``, on the
logarithm for the ratio. Otherwise they are made from the two groups' own intervals (Zou and Donner), which takes
shared clusters as independent: with clusters that are alike in both groups that is too wide, never too narrow.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.stats.intervals import LEVEL, Interval, difference_of, ratio_of
from pipeline.stats.rates import FEW_CLUSTERS, REPLICATES, Rate, effective_clusters, resampling_weights
from pipeline.units import Floats


@dataclass(frozen=True)
class Comparison:
    """First group over, and less, the second."""

    ratio: Interval
    difference: Interval
    shared_clusters: int


def compare_rates(
    first: tuple[Rate, npt.ArrayLike, npt.ArrayLike],
    second: tuple[Rate, npt.ArrayLike, npt.ArrayLike],
    *,
    seed: Sequence[int],
    replicates: int = REPLICATES,
    level: float = LEVEL,
) -> Comparison:
    """Compare two groups over the same list of clusters.

    Parameters
    ----------
    first, second : each group's rate, and its counts and exposures, one for each cluster of either group, shape
        (clusters,); exposure 0 where the cluster is not in the group.

    Returns
    -------
    Comparison in the units of the rates (counts over exposure).
    """
    rate_1, rate_2 = (_interval(group[0]) for group in (first, second))
    c_1, e_1, c_2, e_2 = (np.asarray(x, dtype=np.float64) for group in (first, second) for x in group[1:])
    shared = int(((e_1 > 0) & (e_2 > 0)).sum())
    ratio, difference = ratio_of(rate_1, rate_2), difference_of(rate_1, rate_2)
    enough = min(int((e_1 > 0).sum()), int((e_2 > 0).sum())) >= FEW_CLUSTERS
    if shared and enough and c_1.sum() > 0 and c_2.sum() > 0:
        ratio, difference = _resampled(c_1, e_1, c_2, e_2, seed=seed, replicates=replicates, level=level)
    return Comparison(ratio, difference, shared)


def _interval(rate: Rate) -> Interval:
    return Interval(rate.estimate, rate.low, rate.high)


def _resampled(
    c_1: Floats, e_1: Floats, c_2: Floats, e_2: Floats, *, seed: Sequence[int], replicates: int, level: float
) -> tuple[Interval, Interval]:
    clusters = c_1.size
    weights = resampling_weights(clusters, seed=seed, replicates=replicates)
    drawn = [weights @ x for x in (c_1, e_1, c_2, e_2)]
    usable = (drawn[1] > 0) & (drawn[3] > 0)
    n_1, x_1, n_2, x_2 = (x[usable] for x in drawn)
    rate_1, rate_2 = c_1.sum() / e_1.sum(), c_2.sum() / e_2.sum()
    effective = min(effective_clusters(e_1), effective_clusters(e_2))
    t = float(stats.t.ppf(0.5 + level / 2, max(effective - 1, 1.0))) * np.sqrt(clusters / (clusters - 1))
    logs = np.log((n_1 + 0.5) / (x_1 + 0.5 / rate_1)) - np.log((n_2 + 0.5) / (x_2 + 0.5 / rate_2))
    half = t * float(np.std(logs))
    ratio = float(rate_1 / rate_2)
    step = t * float(np.std(n_1 / x_1 - n_2 / x_2))
    difference = float(rate_1 - rate_2)
    return (
        Interval(ratio, float(ratio * np.exp(-half)), float(ratio * np.exp(half))),
        Interval(difference, difference - step, difference + step),
    )
