"""Quartiles of the durations, sizes and slopes of slides in groups: of those found, and of those that were there."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import prod

import numpy as np
import polars as pl

from pipeline.kinds import KINDS
from pipeline.stats.quantiles import Members, Ordered, Weighed
from pipeline.steps.summarise.correction import Correction
from pipeline.steps.summarise.finds import DIRECTIONS, MEASURES, Finds, Measured, Numbers, groups_of_slides
from pipeline.steps.summarise.parts import SLIDE_GROUPINGS, Parts

_Grouped = Mapping[str, tuple[list[str], Members]]
"""Of each grouping the keys of its groups, and the cells of finds that they are made of."""


def quartiles(
    groupings: Sequence[str], parts: Parts, finds: Finds, measured: Measured, known: Correction | None
) -> pl.DataFrame:
    """Rows of ``result.quartile``: of slides as listeners leave them; where slides were planted also of those that were
    there, each find for as many as it stands for by its length, size, side and sound. No row without a slide."""
    chosen = parts.chosen[finds.part]
    if not (chosen > 0).all():
        used = np.flatnonzero(chosen > 0)
        finds, measured, chosen = finds.of(used), measured.of(used), chosen[used]
    stands_for = None if known is None else known.stands_for(finds)
    shape = (len(KINDS), len(DIRECTIONS), int(finds.semitones.max(initial=0)) + 1)
    of_slides = {name: _of_slides(name, shape) for name in groupings if name in SLIDE_GROUPINGS}
    of_takes = {name: _of_takes(name, parts) for name in groupings if name not in SLIDE_GROUPINGS}
    once = {name: (keys, replace(each, weight=np.ones_like(each.weight))) for name, (keys, each) in of_takes.items()}
    plain = {"group_key": pl.String}  # also of no group at all
    table = {name: pl.DataFrame({"group_key": keys}, plain) for name, (keys, _) in (of_takes | of_slides).items()}

    def add(name: str, weighed: Weighed, groups: _Grouped) -> None:
        for grouping, (_, members) in groups.items():
            columns = zip(("q1", "median", "q3"), weighed.quantiles(members).T, strict=True)
            table[grouping] = table[grouping].with_columns(
                pl.Series(name.format(place), column).fill_nan(None) for place, column in columns
            )

    def by_kind(kind: Numbers) -> Ordered:
        cell = np.ravel_multi_index((kind, finds.direction, finds.semitones), shape)
        return Ordered(values, cell, prod(shape), ascending=ascending)

    for measure, unit in MEASURES.items():
        found, there = f"{measure}_{{}}_{unit}", f"{measure}_{{}}_corrected_{unit}"
        values = measured.values[measure]
        # Sorted once for all groupings, since there may be millions.
        ascending = np.argsort(values, kind="stable").astype(np.int32)
        if of_takes:
            by_part = Ordered(values, finds.part, parts.frame.height, ascending=ascending)
            add(found, by_part.weighed(measured.is_slide), once)
            if stands_for is not None:
                add(there, by_part.weighed(stands_for), of_takes)
        if of_slides:
            add(found, by_kind(measured.kind).weighed(measured.is_slide), of_slides)
            if stands_for is not None:
                add(there, by_kind(finds.kind).weighed(stands_for * chosen), of_slides)
    rows = [frame.with_columns(pl.lit(name).alias("grouping")) for name, frame in table.items()]
    return pl.concat(rows).drop_nulls("duration_median_ms") if rows else pl.DataFrame()


def _of_takes(grouping: str, parts: Parts) -> tuple[list[str], Members]:
    rows = parts.members(grouping).filter(pl.col("weight") > 0)
    keys = rows["group_key"].unique().sort()
    group = rows["group_key"].replace_strict(keys, np.arange(keys.len()), return_dtype=pl.Int64).to_numpy()
    return keys.to_list(), Members(group, rows["part"].to_numpy(), rows["weight"].to_numpy(), keys.len())


def _of_slides(grouping: str, shape: tuple[int, ...]) -> tuple[list[str], Members]:
    kind, direction, semitones = np.unravel_index(np.arange(prod(shape)), shape)
    cells, keys, group = groups_of_slides(grouping, kind, direction, semitones)
    return keys, Members(group, cells, np.ones(cells.size), len(keys))
