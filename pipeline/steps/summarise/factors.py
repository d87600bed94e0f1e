"""True slides per find of the groups of a grouping, worked out for a group when it is asked for: for all groups at
once the draws of their clusters would be most of what the step holds in memory."""

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import polars as pl
from scipy import sparse

from pipeline.stats.correction import Factor
from pipeline.stats.recovery import CLASS_MS, CLASS_SEMITONES
from pipeline.steps.summarise.finds import Ints
from pipeline.units import Floats

MakeFactor = Callable[[Floats, Ints, Floats | None, list[str]], Factor]
"""A factor of draws for the whole group, the strata of its parts, draws for its clusters, and their names."""


class OfTakes(Mapping[str, Factor]):
    """Groups of takes.

    Parameters
    ----------
    members : group_key, cluster, part, weight, in this order: a row for each part in a cluster of a group.
    per_find : draws of true slides per find of each part, shape (parts, replicates).
    finds, strata : of each part, shape (parts,).
    lengths : slides that were there in each part by class of length, shape (parts, lengths); None where unknown.
    """

    def __init__(
        self,
        members: pl.DataFrame,
        per_find: Floats,
        finds: Floats,
        strata: Ints,
        lengths: sparse.csr_array | None,
        make: MakeFactor,
    ) -> None:
        self._part, self._weight = members["part"].to_numpy(), members["weight"].to_numpy()
        self._per_find, self._finds, self._strata = per_find, finds, strata
        self._lengths, self._make = lengths, make
        runs = members.select(pl.struct("group_key", "cluster").rle().alias("run")).unnest("run")
        self._starts = np.append(0, np.cumsum(runs["len"].to_numpy())).astype(np.intp)
        self._names = runs["value"].struct.field("cluster").to_list()
        groups = runs["value"].struct.field("group_key").rle().struct.unnest()
        ends = np.cumsum(groups["len"].to_numpy()).tolist()
        self._runs = {key: slice(a, b) for key, a, b in zip(groups["value"], [0, *ends], ends, strict=False)}

    def __getitem__(self, key: str) -> Factor:
        own = self._runs[key]
        starts = self._starts[own.start : own.stop + 1]
        rows = slice(starts[0], starts[-1])
        part = self._part[rows]
        number = self._weight[rows] * self._finds[part]
        there = np.add.reduceat(number[:, None] * self._per_find[part], starts[:-1] - starts[0])
        found = np.add.reduceat(number, starts[:-1] - starts[0])
        whole = there.sum(axis=0) / found.sum()
        return self._make(whole, self._strata[part], there / found[:, None], self._names[own])

    def __iter__(self) -> Iterator[str]:
        return iter(self._runs)

    def __len__(self) -> int:
        return len(self._runs)

    def median_ms(self) -> dict[str, float]:
        """Median length of the slides that were there in each group, where each find counts for those that it stands
        for by its length, size and side; nothing where that is unknown."""
        if self._lengths is None or not self._runs:
            return {}
        size = [self._starts[own.stop] - self._starts[own.start] for own in self._runs.values()]
        of = np.repeat(np.arange(len(self)), size)
        groups = sparse.csr_array((self._weight, (of, self._part)), shape=(len(self), self._lengths.shape[0]))
        return medians(list(self._runs), groups @ self._lengths)


class OfSlides(Mapping[str, Factor]):
    """Groups of slides, each of which holds finds of all sounds.

    Parameters
    ----------
    keys : of the groups.
    whole : draws for each group, shape (groups, replicates).
    strata : all strata.
    lengths : slides that were there in each group by class of length, shape (groups, lengths); None where unknown.
    """

    def __init__(
        self, keys: list[str], whole: Floats, strata: Ints, lengths: sparse.csr_array | None, make: MakeFactor
    ) -> None:
        self._place = {key: place for place, key in enumerate(keys)}
        self._whole, self._strata, self._lengths, self._make = whole, strata, lengths, make

    def __getitem__(self, key: str) -> Factor:
        return self._make(self._whole[self._place[key]], self._strata, None, [])

    def __iter__(self) -> Iterator[str]:
        return iter(self._place)

    def __len__(self) -> int:
        return len(self._place)

    def median_ms(self) -> dict[str, float]:
        """As of groups of takes."""
        return {} if self._lengths is None else medians(list(self._place), self._lengths)


def by_length(there: sparse.csr_array) -> sparse.csr_array:
    """Numbers by class of find as numbers by class of length."""
    of = np.arange(there.shape[1]) // (2 * CLASS_SEMITONES.size)
    shape = (there.shape[1], CLASS_MS.size)
    return there @ sparse.csr_array((np.ones(of.size), (np.arange(of.size), of)), shape=shape)


def medians(keys: list[str], there: sparse.csr_array) -> dict[str, float]:
    """Median length in ms of each group with any slide, from numbers by class of length, shape (groups, lengths); even
    within its class on the log scale."""
    step = float(CLASS_MS[1] / CLASS_MS[0])
    made = {}
    for key, row in zip(keys, there.toarray(), strict=True):
        below = np.cumsum(row)
        if below[-1] <= 0:
            continue
        place = int(np.searchsorted(below, below[-1] / 2))
        within = (below[-1] / 2 - (below[place] - row[place])) / row[place]
        made[key] = float(CLASS_MS[place] * step ** (within - 0.5))
    return made
