"""True slides per find of the groups of a grouping, worked out for a group when it is asked for: for all groups at
once the draws of their clusters would be most of what the step holds in memory."""

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import polars as pl

from pipeline.stats.correction import Factor
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
    """

    def __init__(
        self,
        members: pl.DataFrame,
        per_find: Floats,
        finds: Floats,
        strata: Ints,
        make: MakeFactor,
    ) -> None:
        self._part, self._weight = members["part"].to_numpy(), members["weight"].to_numpy()
        self._per_find, self._finds, self._strata, self._make = per_find, finds, strata, make
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


class OfSlides(Mapping[str, Factor]):
    """Groups of slides, each of which holds finds of all sounds.

    Parameters
    ----------
    keys : of the groups.
    whole : draws for each group, shape (groups, replicates).
    strata : all strata.
    """

    def __init__(self, keys: list[str], whole: Floats, strata: Ints, make: MakeFactor) -> None:
        self._place = {key: place for place, key in enumerate(keys)}
        self._whole, self._strata, self._make = whole, strata, make

    def __getitem__(self, key: str) -> Factor:
        return self._make(self._whole[self._place[key]], self._strata, None, [])

    def __iter__(self) -> Iterator[str]:
        return iter(self._place)

    def __len__(self) -> int:
        return len(self._place)
