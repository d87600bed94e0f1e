"""A listener's own marks of slides compared with ours: who is matched with whom, and how the times differ.

A mark and a find are a pair if their starts and their ends lie within stated tolerances of each other. Of all ways
to pair them, one each, that with most pairs counts, and among those the one whose times differ least in all. With
one of the two tolerances infinite the counts are the standard measures for starts or for ends alone (Raffel et al.,
mir_eval, ISMIR 2014; there any matching with most pairs serves, so only the counts need agree).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from pipeline.units import Floats

# Differences are rounded to 0.1 ms before they meet a tolerance, as mir_eval does, so that 0.1 s is within 0.1 s.
_DECIMALS = 4


@dataclass(frozen=True)
class Tolerances:
    """How far apart a pair may be, in s; the end may also differ by ``end_share`` of the mark's length."""

    start_s: float
    end_s: float
    end_share: float


def match(marks: npt.ArrayLike, finds: npt.ArrayLike, *, tolerances: Tolerances) -> npt.NDArray[np.int64]:
    """Pair marks with finds of one transfer.

    Parameters
    ----------
    marks, finds : start and end in s, shapes (n, 2) and (m, 2).

    Returns
    -------
    Rows of a mark's and a find's number, shape (pairs, 2), by mark.
    """
    m = np.asarray(marks, dtype=np.float64).reshape(-1, 2)
    f = np.asarray(finds, dtype=np.float64).reshape(-1, 2)
    if not m.size or not f.size:
        return np.empty((0, 2), dtype=np.int64)
    starts = np.round(np.abs(m[:, None, 0] - f[None, :, 0]), _DECIMALS)
    ends = np.round(np.abs(m[:, None, 1] - f[None, :, 1]), _DECIMALS)
    end_reach = np.maximum(tolerances.end_s, tolerances.end_share * (m[:, 1] - m[:, 0]))[:, None]
    fits = (starts <= tolerances.start_s) & (ends <= end_reach)
    apart = np.where(fits, starts + ends, 0.0)
    # One pair more is worth more than all differences together.
    cost = np.where(fits, apart - (1.0 + apart.sum()), 0.0)
    rows, columns = linear_sum_assignment(cost)
    paired = fits[rows, columns]
    return np.stack([rows[paired], columns[paired]], axis=1).astype(np.int64)


@dataclass(frozen=True)
class Differences:
    """Find minus mark over the pairs, in s: median, and the range that holds the middle half."""

    median_s: float
    low_s: float
    high_s: float


def differences(marks_s: npt.ArrayLike, finds_s: npt.ArrayLike) -> Differences:
    """How much later the finds are than the marks they are paired with; NaN without any pair.

    Parameters
    ----------
    marks_s, finds_s : times of the pairs in s, shape (pairs,).
    """
    late: Floats = np.asarray(finds_s, dtype=np.float64) - np.asarray(marks_s, dtype=np.float64)
    if not late.size:
        return Differences(np.nan, np.nan, np.nan)
    low, median, high = np.quantile(late, [0.25, 0.5, 0.75])
    return Differences(float(median), float(low), float(high))


def f_measure(precision: float, recall: float) -> float:
    """Harmonic mean of precision and recall; 0 if both are, NaN if either is unknown."""
    total = precision + recall
    return 0.0 if total == 0 else 2 * precision * recall / total
