"""Quantiles of weighted items, in many groups at once.

Type 7 of Hyndman and Fan (The American Statistician 50, 1996), as quartiles without weights are, carried over to
weights by Akinshin (Weighted quantile estimators, arXiv 2304.07265, 2023): the items are worth Kish's effective sample
size. Equal weights give plain type 7.

Items lie in cells, and groups are made of cells. Sums of each cell by stretch of values say in which stretches a
quantile of a group lies, so that of millions of items each group looks at few.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
Numbers = npt.NDArray[np.integer[Any]]
"""Whole numbers of whatever size they need."""
QUARTILES = (0.25, 0.5, 0.75)  # the shares below the lower quartile, the median and the upper quartile
_STRETCHES = 128  # of all values, with as many items each
_SLACK = 1e-9  # of a group's weight, so that rounding leaves no item out


def plain_quantiles(values: Floats, at: Sequence[float]) -> list[float]:
    """Quantiles of type 7 of values without weights, in a tenth of the time that numpy's own take for a few hundred."""
    ordered = np.sort(values)
    made: list[float] = np.interp(np.array(at) * (ordered.size - 1), np.arange(ordered.size), ordered).tolist()
    return made


@dataclass(frozen=True)
class Members:
    """Which cells each of so many groups is made of, and how much the items of each count there, shape (n,) each."""

    group: Numbers
    cell: Numbers
    weight: Floats
    groups: int

    @classmethod
    def alone(cls, cells: int) -> "Members":
        """Each cell as a group."""
        return cls(np.arange(cells), np.arange(cells), np.ones(cells), cells)


class Ordered:
    """Items by cell, in each from the least value to the greatest.

    Parameters
    ----------
    values : shape (items,); items without one (NaN) are left out.
    cell : of each item, 0 to cells - 1, shape (items,).
    ascending : the places of the items in the order of their values, if it is known, shape (items,).
    """

    def __init__(self, values: Floats, cell: Numbers, cells: int, *, ascending: Numbers | None = None) -> None:
        order = np.argsort(values, kind="stable") if ascending is None else ascending
        order = order[: np.count_nonzero(~np.isnan(values))]
        # Small numbers are sorted by their digits, in a tenth of the time.
        rank = np.argsort(cell[order].astype(np.min_scalar_type(cells)), kind="stable")
        self.items = order[rank]
        self.values, self.cell = values[self.items], cell[self.items].astype(np.int32)
        self.shape = cells, _STRETCHES
        self.place = self.cell * _STRETCHES + (rank * _STRETCHES // max(rank.size, 1)).astype(np.int32)
        self.first = np.append(0, np.cumsum(np.bincount(self.place, minlength=cells * _STRETCHES)))

    def weighed(self, weights: npt.NDArray[Any]) -> "Weighed":
        """The items with their weights, not negative, shape (items,)."""
        own, cells = weights[self.items].astype(np.float64), self.shape[0]
        sums = np.bincount(self.place, own, minlength=cells * _STRETCHES).reshape(self.shape).astype(np.float64)
        squares = np.bincount(self.cell, own**2, minlength=cells).astype(np.float64)
        return Weighed(self, own, sums, squares)


@dataclass(frozen=True)
class Weighed:
    """Items by cell with their weights.

    ``sums`` are those of each cell by stretch, shape (cells, stretches), ``squares`` those of squares, shape (cells,).
    """

    of: Ordered
    weights: Floats
    sums: Floats
    squares: Floats

    def quantiles(self, members: Members, *, at: Sequence[float] = QUARTILES) -> Floats:
        """Quantiles of each group, shape (groups, len(at)); NaN where a group has no weight."""
        made = np.full((members.groups, len(at)), np.nan)
        shape = (members.groups, self.squares.size)
        among = sparse.csr_array((members.weight, (members.group, members.cell)), shape=shape)
        upto = np.cumsum(among @ self.sums, axis=1)
        there = np.flatnonzero(upto[:, -1] > 0)
        among, upto = among[there], upto[there]
        total = upto[:, -1]
        worth = total**2 / (among.power(2) @ self.squares)
        slack = _SLACK * total
        for column, share in enumerate(at):
            # Only the items that lie in a window as wide as one of equal weight count.
            reach = share * (worth - 1.0)
            low, high = total * reach / worth, total * (reach + 1.0) / worth
            begin = (upto <= (low - slack)[:, None]).sum(axis=1)
            end = np.minimum((upto < (high + slack)[:, None]).sum(axis=1) + 1, _STRETCHES)
            before = np.where(begin > 0, upto[np.arange(there.size), begin - 1], 0.0)
            group, value, weight = self._within(among, begin, end)
            after = np.cumsum(weight)
            first = np.searchsorted(group, np.arange(there.size))
            after += (before - (after - weight)[first])[group]
            scale, so_far = (worth / total)[group], reach[group]
            up_to, beyond = (np.clip(scale * edge - so_far, 0.0, 1.0) for edge in (after - weight, after))
            # Counted from the least value on, so that values that are all alike are not rounded.
            above = (beyond - up_to) * (value - value[first][group])
            made[there, column] = value[first] + np.bincount(group, above, minlength=there.size)
        return made

    def _within(self, among: sparse.csr_array, begin: Ints, end: Ints) -> tuple[Ints, Floats, Floats]:
        """The items of each group from one stretch up to another: their groups, values and weights, in order."""
        of_entry = np.repeat(np.arange(begin.size), np.diff(among.indptr))
        cell = among.indices.astype(np.intp) * _STRETCHES
        first, last = self.of.first[cell + begin[of_entry]], self.of.first[cell + end[of_entry]]
        many = last - first
        item = np.arange(many.sum()) + np.repeat(first - (np.cumsum(many) - many), many)
        group, value = np.repeat(of_entry, many), self.of.values[item]
        order = np.lexsort((value, group))
        return group[order], value[order], (self.weights[item] * np.repeat(among.data, many))[order]
