"""How alike listeners answer: with themselves, with each other, and in the bounds of slides that they mark.

Verdicts and kinds: Krippendorff's alpha, for two listeners Cohen's kappa too; verdicts also in the order no slide,
cannot tell, slide. Bounds, of slides that two listeners both marked: intraclass correlation of lengths (logarithm of
ms) and of sizes (cents between the bounds, read off the pitch line), differences of starts and ends
(``stats.reliability``). Limits, 95 %, are from resampling excerpts or slides.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.stats import agreement
from pipeline.stats.intervals import Interval
from pipeline.stats.marks import Tolerances, match
from pipeline.stats.reliability import (
    LimitsOfAgreement,
    intraclass,
    limits_of_agreement,
    over_items,
    self_agreement,
)
from pipeline.units import Floats, cents_of_ratio, ms_of_s

VERDICTS = ("no_slide", "cannot_tell", "slide")
"""From least to most sure that there is a slide."""
ONE_SLIDE = Tolerances(start_s=0.5, end_s=0.5, end_share=0.5)
"""Marks of two listeners this near, and overlapping, are of one slide: wide, so as not to cut off differences."""
LEAST_MARKED = 5
"""Fewer slides marked by both are not compared (judgement)."""
_REPLICATES = 400
_AROUND_S = 0.03
LineOf = Callable[[str], pl.DataFrame | None]


@dataclass(frozen=True)
class WithHimself:
    """Excerpts that one listener heard twice: how many, and the share judged alike."""

    listener: str
    twice: int
    same: Interval


@dataclass(frozen=True)
class MarkedByBoth:
    """Slides that two listeners both marked; later and longer is the second's.

    ``length`` and ``size`` are ICC(2,1); ``length_error`` is the standard error of a length as a share of it,
    ``size_error`` that of a size in cents.
    """

    listeners: tuple[str, str]
    slides: int
    length: Interval
    length_error: float
    size: Interval | None
    size_error: float
    starts: LimitsOfAgreement
    ends: LimitsOfAgreement


@dataclass(frozen=True)
class Alike:
    """Agreement of listeners; None where there was nothing to compare."""

    kappa: Interval | None
    alpha: Interval | None
    ordinal: Interval | None
    kinds: Interval | None
    themselves: tuple[WithHimself, ...]
    bounds: tuple[MarkedByBoth, ...]


def alike(verdicts: pl.DataFrame, marks: pl.DataFrame, line_of: LineOf, *, seed: int) -> Alike:
    """Agreement over verdicts on drawn items, those heard twice among them, and over all slides marked.

    Parameters
    ----------
    verdicts : sample_id, item_id, repeat_of, listener, verdict, kind: the last of each listener on each item.
    marks : transfer_id, samples_sha256, listener, transfer_start_s, transfer_end_s of each slide marked.
    line_of : the pitch line of a transfer (base.pitch_frame), or None.
    """
    once = verdicts.filter(pl.col("repeat_of").is_null())
    said = _by_listener(once.with_columns(pl.col("verdict").replace_strict(_RANK)), "verdict")
    kinds = _by_listener(once.filter(pl.col("kind").is_not_null() & (pl.col("kind") != "cannot_tell")), "kind")
    return Alike(
        kappa=_over(said, _kappa, seed) if len(said) == 2 else None,
        alpha=_over(said, agreement.krippendorffs_alpha, seed),
        ordinal=_over(said, lambda table: agreement.krippendorffs_alpha(table, scale="ordinal"), seed),
        kinds=_over(kinds, agreement.krippendorffs_alpha, seed),
        themselves=_themselves(verdicts),
        bounds=_bounds(marks, line_of, seed=seed),
    )


_RANK = {name: rank for rank, name in enumerate(VERDICTS)}


def _by_listener(rows: pl.DataFrame, column: str) -> list[list[object]]:
    """Answers of each listener, in the same order of items; None where there is none."""
    wide = rows.pivot("listener", index=["sample_id", "item_id"], values=column, maintain_order=True)
    return [wide[name].to_list() for name in sorted(wide.columns[2:])]


def _over(table: Sequence[Sequence[object]], statistic: Callable[..., float], seed: int) -> Interval | None:
    if len(table) < 2:
        return None
    items = [item for item in zip(*table, strict=True) if sum(answer is not None for answer in item) >= 2]
    made = over_items(
        lambda chosen: statistic(list(zip(*(items[n] for n in chosen), strict=True))) if items else np.nan,
        len(items),
        seed=(seed, 3),
        replicates=_REPLICATES,
    )
    return None if np.isnan(made.estimate) else made


def _kappa(table: Sequence[Sequence[int]]) -> float:
    counts = np.zeros((len(VERDICTS), len(VERDICTS)))
    np.add.at(counts, (np.array(table[0]), np.array(table[1])), 1)
    return agreement.cohens_kappa(counts)


def _themselves(verdicts: pl.DataFrame) -> tuple[WithHimself, ...]:
    own = ("sample_id", "listener")
    again = verdicts.filter(pl.col("repeat_of").is_not_null()).select(*own, "repeat_of", "verdict")
    first = verdicts.select(*own, "item_id", pl.col("verdict").alias("first"))
    pairs = again.join(first, left_on=[*own, "repeat_of"], right_on=[*own, "item_id"])
    counts = pairs.group_by("listener").agg(pl.len(), (pl.col("verdict") == pl.col("first")).sum()).sort("listener")
    return tuple(WithHimself(name, twice, self_agreement(same, twice)) for name, twice, same in counts.iter_rows())


def _bounds(marks: pl.DataFrame, line_of: LineOf, *, seed: int) -> tuple[MarkedByBoth, ...]:
    names = sorted(set(marks["listener"]))
    made = (_compared(marks, line_of, first, second, seed=seed) for first, second in combinations(names, 2))
    return tuple(each for each in made if each is not None)


def _compared(marks: pl.DataFrame, line_of: LineOf, first: str, second: str, *, seed: int) -> MarkedByBoth | None:
    bounds, sizes = [], []
    for (transfer_id, _), rows in marks.group_by("transfer_id", "samples_sha256", maintain_order=True):
        a, b = (
            rows.filter(pl.col("listener") == name).select("transfer_start_s", "transfer_end_s").to_numpy()
            for name in (first, second)
        )
        pairs = match(a, b, tolerances=ONE_SLIDE)
        both = np.stack([a[pairs[:, 0]], b[pairs[:, 1]]], axis=1)  # slides, listeners, start and end
        both = both[both[:, :, 0].max(axis=1) < both[:, :, 1].min(axis=1)]
        if both.size:
            bounds.append(both)
            sizes.append(_cents(line_of(str(transfer_id)), both))
    if sum(len(each) for each in bounds) < LEAST_MARKED:
        return None
    times, cents = np.concatenate(bounds), np.concatenate(sizes)
    length, length_error = _correlated(np.log(ms_of_s(times[:, :, 1] - times[:, :, 0])), seed)
    cents = cents[np.isfinite(cents).all(axis=1)]
    size, size_error = _correlated(cents, seed) if len(cents) >= LEAST_MARKED else (None, np.nan)
    starts, ends = (limits_of_agreement(times[:, 0, end], times[:, 1, end]) for end in (0, 1))
    if length is None or starts is None or ends is None:
        return None
    error = float(np.expm1(length_error))
    return MarkedByBoth((first, second), len(times), length, error, size, size_error, starts, ends)


def _correlated(measures: Floats, seed: int) -> tuple[Interval | None, float]:
    """ICC(2,1) with limits, and the standard error of measurement."""
    known = intraclass(measures)
    if known is None:
        return None, np.nan

    def statistic(chosen: npt.NDArray[np.intp]) -> float:
        made = intraclass(measures[chosen])
        return np.nan if made is None else made.random_single

    return over_items(statistic, len(measures), seed=(seed, 4), replicates=_REPLICATES), known.error


def _cents(line: pl.DataFrame | None, bounds: Floats) -> Floats:
    """How far the pitch line goes between the bounds (slides, listeners, 2): shape (slides, listeners), NaN where it is
    not known."""
    if line is None:
        return np.full(bounds.shape[:2], np.nan)
    known = line.filter(pl.col("f0_hz").is_finite()).sort("transfer_time_s")
    times, hz = known["transfer_time_s"].to_numpy(), known["f0_hz"].to_numpy()

    def at(time_s: float) -> float:
        near = slice(*np.searchsorted(times, (time_s - _AROUND_S, time_s + _AROUND_S)))
        return float(np.median(hz[near])) if times[near].size else np.nan

    pitch = np.vectorize(at, otypes=[np.float64])(bounds)
    return np.asarray(np.abs(cents_of_ratio(pitch[..., 1] / pitch[..., 0])), dtype=np.float64)
