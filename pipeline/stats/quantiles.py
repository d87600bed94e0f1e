"""Quantiles of weighted items, in many groups at once.

Type 7 of Hyndman and Fan (The American Statistician 50, 1996), as quartiles without weights are, carried over to
weights by Akinshin (Weighted quantile estimators, arXiv 2304.07265, 2023): the items are worth Kish's effective sample
size. Equal weights give plain type 7.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.units import Floats


def weighted_quantiles(
    values: npt.ArrayLike,
    weights: npt.ArrayLike,
    of: npt.NDArray[np.intp],
    *,
    groups: int,
    at: Sequence[float] = (0.25, 0.5, 0.75),
) -> Floats:
    """Quantiles of each group, shape (groups, len(at)); NaN where a group has no weight.

    Parameters
    ----------
    values, weights, of : of each item, its weight, not negative, and the number of its group, shape (items,).

    >>> weighted_quantiles([1.0, 2.0, 4.0], [1.0, 1.0, 2.0], np.array([0, 0, 0]), groups=1, at=[0.5]).tolist()
    [[3.0]]
    """
    x, w = np.asarray(values, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    order = np.lexsort((x, of))
    x, w, group = x[order], w[order], of[order]
    total, squares = (np.bincount(group, y, minlength=groups) for y in (w, w**2))
    with np.errstate(invalid="ignore", divide="ignore"):
        worth = total**2 / squares
        up_to = np.cumsum(w)
        before = np.concatenate([[0.0], np.cumsum(total)])[group]
        ends = (up_to - before) / total[group]
        starts = (up_to - w - before) / total[group]
        made = np.full((groups, len(at)), np.nan)
        for column, share in enumerate(at):
            reach = (share * (worth - 1.0) + 1.0)[group]
            end, start = (np.clip(worth[group] * edge - reach + 1.0, 0.0, 1.0) for edge in (ends, starts))
            made[:, column] = np.bincount(group, (end - start) * x, minlength=groups)
    made[total <= 0] = np.nan
    return made
