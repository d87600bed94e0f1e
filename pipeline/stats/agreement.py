"""How far listeners agree, and how often our finds are right.

References: Cohen, Educational and Psychological Measurement 20 (1960); Krippendorff, Computing Krippendorff's
Alpha-Reliability (2011); Horvitz and Thompson, JASA 47 (1952), for weighting by sampling probability.

Only drawn samples enter error rates. Precision is the share of finds that are slides, estimated from judged
finds. Missed slides are estimated from judged transitions and stretches without a find. Rates are corrected by
``stats.detection``, which knows of each change how likely it is a slide; these stand beside as a check.
"""

from collections import Counter, defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.stats.intervals import LEVEL, Interval, wilson_interval
from pipeline.stats.rates import REPLICATES, rate_interval
from pipeline.units import Floats

# Items' worth of belief that strata do not differ.
_UNTOLD = 10.0


def cohens_kappa(table: npt.ArrayLike) -> float:
    """Agreement of two listeners beyond chance.

    Parameters
    ----------
    table : how often the first gave row i and the second column j, shape (categories, categories).

    Returns
    -------
    Kappa; NaN without any item, or if chance agreement is complete.
    """
    counts = np.asarray(table, dtype=np.float64)
    total = counts.sum()
    if total == 0:
        return np.nan
    observed = np.trace(counts) / total
    expected = float(counts.sum(axis=0) @ counts.sum(axis=1)) / total**2
    return float((observed - expected) / (1 - expected)) if expected < 1 else np.nan


Scale = Literal["nominal", "ordinal", "interval"]


def krippendorffs_alpha(verdicts: Sequence[Sequence[Hashable | None]], *, scale: Scale = "nominal") -> float:
    """Agreement of any number of listeners, with gaps: 1 - (n - 1) sum o d / sum n n' d.

    Parameters
    ----------
    verdicts : one row for each listener, one entry for each item; None where the listener did not judge it. For the
        scales "ordinal" (ordered categories) and "interval" (measures) the entries are numbers.

    Returns
    -------
    Alpha; NaN if no item has two verdicts, or all verdicts are the same.
    """
    coincidences: defaultdict[tuple[Hashable, Hashable], float] = defaultdict(float)
    for item in zip(*verdicts, strict=True):
        given = [verdict for verdict in item if verdict is not None]
        for pair in permutations(range(len(given)), 2):
            coincidences[given[pair[0]], given[pair[1]]] += 1 / (len(given) - 1)
    if not coincidences:
        return np.nan
    values = list(dict.fromkeys(first for first, _ in coincidences))
    place = {value: number for number, value in enumerate(values)}
    observed = np.zeros((len(values), len(values)))
    for (first, second), count in coincidences.items():
        observed[place[first], place[second]] += count
    totals = observed.sum(axis=1)
    apart = _apart(values, totals, scale)
    by_chance = float(totals @ apart @ totals)
    return 1 - float((totals.sum() - 1) * (observed * apart).sum()) / by_chance if by_chance else np.nan


def _apart(values: Sequence[Hashable], totals: Floats, scale: Scale) -> Floats:
    """Squared difference of each two values (Krippendorff 2011, section D), shape (values, values)."""
    if scale == "nominal":
        return 1 - np.eye(len(values))
    at = np.array(values, dtype=np.float64)
    if scale == "ordinal":
        # Ranks: all below, and half of those alike.
        at = np.array([totals[at < value].sum() + totals[at == value].sum() / 2 for value in at])
    return np.asarray((at[:, None] - at) ** 2, dtype=np.float64)


def majority(verdicts: Sequence[str]) -> str:
    """The verdict given most often; ``cannot_tell`` if two are given equally often, or none at all."""
    ranked = Counter(verdicts).most_common(2)
    if not ranked or (len(ranked) == 2 and ranked[0][1] == ranked[1][1]):
        return "cannot_tell"
    return ranked[0][0]


@dataclass(frozen=True)
class Judged:
    """Judged items of one stratum, drawn at random.

    Attributes
    ----------
    slides : items in which a slide was heard, out of ``judged`` with a clear verdict; in plans as many as expected.
    population : items of the stratum in the corpus, from which they were drawn.
    """

    slides: float
    judged: int
    population: int


def stratum_share(stratum: Judged, *, level: float = LEVEL) -> Interval:
    """Share of the stratum's items that are slides, with Wilson's interval; NaN if none was judged."""
    if stratum.judged == 0:
        return Interval(np.nan, 0.0, 1.0)
    return wilson_interval(stratum.slides, trials=stratum.judged, level=level)


def clustered_share(
    slides: npt.ArrayLike, judged: npt.ArrayLike, *, seed: Sequence[int], level: float = LEVEL
) -> Interval:
    """Share of judged items that are slides, where items of one side are alike; NaN if none was judged.

    The wider, on each side, of Wilson's interval and that of resampling whole sides (``stats.rates``).

    Parameters
    ----------
    slides, judged : of each side, shape (sides,).
    """
    s, n = np.asarray(slides, dtype=np.float64), np.asarray(judged, dtype=np.float64)
    made = rate_interval(s, n, seed=seed, level=level)
    if made is None:
        return Interval(np.nan, 0.0, 1.0)
    wilson = wilson_interval(float(s.sum()), trials=float(n.sum()), level=level)
    if s.size < 2:
        return wilson
    return Interval(made.estimate, max(min(made.low, wilson.low), 0.0), min(max(made.high, wilson.high), 1.0))


@dataclass(frozen=True)
class ErrorRates:
    """Precision (finds that are slides), recall (slides that are found) and the factor from finds to slides.

    ``true_per_find`` is how many slides there are for each find: precision over recall.
    """

    precision: Interval
    recall: Interval
    true_per_find: Interval


def error_rates(
    finds: Sequence[Judged],
    others: Sequence[Judged],
    *,
    seed: Sequence[int],
    replicates: int = REPLICATES,
    level: float = LEVEL,
) -> ErrorRates:
    """Precision and recall over strata, each weighted by how many items one judged item stands for.

    Limits come from drawing each share from its posterior under Jeffreys' prior (Brown, Cai and DasGupta, Statistical
    Science 16, 2001), with as many items as a simple random sample would need to be as exact as this stratified one
    (Korn and Graubard, Survey Methodology 24, 1998; judged items of a stratum leave that much less to guess). A prior
    for each stratum of its own would outweigh the verdicts where strata are many and small. The precision is that of
    finds on such sides, not of these finds alone: its limits are at least those of Wilson's interval of so many judged,
    though all were.

    Parameters
    ----------
    finds, others : strata of found slides, and of transitions or stretches without a find.

    Raises
    ------
    ValueError
        If no find was judged.
    """
    if not any(stratum.judged for stratum in finds):
        raise ValueError("no found slide was judged; draw some with: glideline listen")
    rng = np.random.default_rng(list(seed))
    found = float(sum(stratum.population for stratum in finds))
    hits, drawn_hits = _slides(finds, rng, replicates)
    missed, drawn_missed = _slides(others, rng, replicates)
    tail = [(1 - level) / 2, (1 + level) / 2]

    def limits(estimate: float, drawn: Floats) -> Interval:
        low, high = np.quantile(drawn, tail)
        return Interval(estimate, min(float(low), estimate), max(float(high), estimate))

    total, judged = hits + missed, float(sum(stratum.judged for stratum in finds))
    precision = limits(hits / found, drawn_hits / found)
    elsewhere = wilson_interval(judged * precision.estimate, trials=judged, level=level)
    return ErrorRates(
        precision=Interval(precision.estimate, min(precision.low, elsewhere.low), max(precision.high, elsewhere.high)),
        recall=limits(hits / total if total else np.nan, drawn_hits / (drawn_hits + drawn_missed)),
        true_per_find=limits(total / found, (drawn_hits + drawn_missed) / found),
    )


def _slides(strata: Sequence[Judged], rng: np.random.Generator, replicates: int) -> tuple[float, Floats]:
    """Slides in all strata: the estimate, and draws of it, shape (replicates,)."""
    known = [stratum for stratum in strata if stratum.judged and stratum.population]
    everywhere = float(sum(stratum.population for stratum in strata))
    if not known:
        # Nothing was judged: anything is possible.
        return 0.0, everywhere * rng.beta(0.5, 0.5, size=replicates)
    s = np.array([stratum.slides for stratum in known], dtype=np.float64)
    n = np.array([stratum.judged for stratum in known], dtype=np.float64)
    size = np.array([stratum.population for stratum in known], dtype=np.float64)
    size = np.maximum(size, n)
    weight = size / size.sum()
    share = float(weight @ (s / n))
    # Strata in which nothing was judged are taken for the mean of the others.
    total = share * everywhere
    spread = _within(s, n) * float((weight**2 * (1 - n / size) / n).sum())
    if spread == 0:
        return total, np.full(replicates, total)
    worth = 1 / spread
    return total, everywhere * rng.beta(worth * share + 0.5, worth * (1 - share) + 0.5, size=replicates)


def _within(slides: Floats, judged: Floats) -> float:
    """How much of the variance between items lies within strata, at most 1; strata of few items tell little of it."""
    heard, items = slides.sum(), judged.sum()
    whole = heard * (items - heard) / (items * max(items - 1, 1))
    free = float((judged - 1).sum())
    if whole == 0 or free <= 0:
        return 1.0
    inside = float((slides * (judged - slides) / judged).sum()) / free
    return float(min(1.0, (free * inside / whole + _UNTOLD) / (free + _UNTOLD)))


@dataclass(frozen=True)
class CalibrationBin:
    """Items whose confidence lies in one range: the mean confidence, and how many were slides."""

    mean_confidence: float
    observed: Interval
    judged: int


def calibration(
    confidences: npt.ArrayLike, is_slide: npt.ArrayLike, *, bins: int = 5, level: float = LEVEL
) -> list[CalibrationBin]:
    """Predicted against observed, in bins of equal numbers.

    Parameters
    ----------
    confidences, is_slide : of each judged find, shape (items,).
    """
    c = np.asarray(confidences, dtype=np.float64)
    heard = np.asarray(is_slide, dtype=bool)
    order = np.argsort(c, kind="stable")
    made = []
    for part in np.array_split(order, min(bins, c.size)) if c.size else []:
        observed = wilson_interval(int(heard[part].sum()), trials=part.size, level=level)
        made.append(CalibrationBin(float(c[part].mean()), observed, int(part.size)))
    return made


def calibration_error(confidences: npt.ArrayLike, is_slide: npt.ArrayLike, *, bins: int = 5) -> float:
    """Expected calibration error: mean distance of predicted from observed, weighted by the bins' sizes."""
    made = calibration(confidences, is_slide, bins=bins)
    total = sum(each.judged for each in made)
    if not total:
        return np.nan
    return sum(each.judged * abs(each.mean_confidence - each.observed.estimate) for each in made) / total
