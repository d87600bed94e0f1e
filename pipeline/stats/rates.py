"""Rates of slides with intervals that know that slides of one session or player are not independent.

A rate is a ratio of sums: all slides over all exposure. Its interval comes from resampling whole clusters
(sessions within one player's rate, players within a rate over players), with multinomial weights and a fixed
seed, so that the same takes always give the same limits.

Ten clusters or more: on each side the wider of (a) the percentile interval with its levels moved out to those of
Student's t and the factor sqrt(K / (K - 1)), and (b) the t interval of the logarithm of the rate with the
bootstrap's standard error. Degrees of freedom are those of the effective number of clusters
(sum e)^2 / sum e^2, less 1, since unequal exposures leave fewer independent pieces (Carter, Schnepel and
Steigerwald, Review of Economics and Statistics 99, 2017). Plain percentile limits cover 86 to 90 % with
15 unequal players; these cover 93 to 97 % (tests/stats/test_rates_coverage.py).

Fewer than ten clusters: such a bootstrap is too narrow. The true rates of clusters are then taken to follow a gamma
distribution, so that the count is negative binomial, and the limits are exact (Garwood's, with that distribution):
var(count) = m + m^2 v / K, with v the squared coefficient of variation between clusters and K the effective number
of clusters. v is learnt by moments (Pearson's chi2 less its degrees, as DerSimonian and Laird, Controlled Clinical
Trials 7, 1986) from the whole corpus (between all players, or between the sessions of each player), and is the
greater of that and of what the group's own clusters add to it. So that two clusters do not make v anything at all,
both start from a guess of v = 0.5 that weighs as three degrees of freedom (a choice of ours, without a source), and
the corpus weighs as eight at most beside a group's own clusters. These limits are never within those of chance alone.
With 2, 3, 5 and 8 unequal players and nothing else known they cover 99 % where v is 0.25 and 92 to 94 % where it is
0.8 (same tests), at about 4.7, 3.4, 2.5 and 2 times the rate. Where the corpus holds fewer than three degrees,
v is a guess in the main, and a warning says so. A group that is one player's alone is reckoned with the greater of both
spreads, so that its limits do not lie within those of that player's own sessions.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.counted import FEW_COUNTED, short_of
from pipeline.stats.intervals import LEVEL, poisson_interval
from pipeline.stats.quantiles import plain_quantiles
from pipeline.units import Floats

REPLICATES = 2000  # resamples: the error of a limit is 1.5 % of the width
FEW_CLUSTERS = 10  # below which a warning is given (common practice, no source)
# Squared coefficient of variation between clusters before anything is known, and how many degrees that weighs.
_GUESSED_VARIANCE, _GUESSED_DEGREES = 0.5, 3
_MOST_CORPUS_DEGREES = 8
# One cluster in fifty has all slides: limits that allow for more say nothing (judgement).
_MOST_VARIANCE = 50.0
# A spread of fewer degrees of freedom than this is a guess.
ENOUGH_DEGREES = 3
_DRAWN_AT_ONCE = 200_000  # clusters, so that they are counted within a processor's cache


BOOTSTRAP, SMALL = "cluster bootstrap", "negative binomial"
"""How limits are made: of ten clusters and more, and of fewer."""


@dataclass(frozen=True)
class Rate:
    """A rate with its cluster interval, and the exact Poisson interval (which takes slides as independent).

    ``method`` names how the interval was made; ``warning`` is None if there is nothing to be careful about.
    """

    estimate: float
    low: float
    high: float
    poisson_low: float
    poisson_high: float
    method: str


@dataclass(frozen=True)
class Spread:
    """Squared coefficient of variation of true rates between clusters, and from how many degrees."""

    variance: float
    degrees: float


UNKNOWN = Spread(0.0, 0.0)
"""Where nothing tells how clusters differ."""


def wider(one: Spread, other: Spread) -> Spread:
    """The one of two spreads that makes wider limits."""
    return max(one, other, key=_learnt)


def resampling_weights(clusters: int, *, seed: Sequence[int], replicates: int = REPLICATES) -> Floats:
    """How often each cluster is drawn in each resample, shape (replicates, clusters)."""
    rng = np.random.default_rng(list(seed))
    # As floats, since products of whole numbers with rates are not BLAS's.
    weights = np.empty((replicates, clusters))
    at_once = max(_DRAWN_AT_ONCE // clusters, 1)
    for start in range(0, replicates, at_once):
        some = weights[start : start + at_once]
        # Drawing each cluster and counting takes a tenth of the time of as many binomial draws.
        drawn = rng.integers(clusters, size=some.shape, dtype=np.int32)
        drawn += np.arange(0, some.size, clusters, dtype=np.int32)[:, None]
        some[:] = np.bincount(drawn.ravel(), minlength=some.size).reshape(some.shape)
    return weights


def resampled_rates(counts: Floats, exposures: Floats, weights: Floats) -> Floats:
    """The rate in each resample: ratio of sums, not mean of rates; shape (replicates,)."""
    return np.asarray((weights @ counts) / (weights @ exposures), dtype=np.float64)


def effective_clusters(exposures: npt.ArrayLike) -> float:
    """Kish's effective number of clusters, (sum e)^2 / sum e^2; 0 without exposure."""
    e = np.asarray(exposures, dtype=np.float64)
    total = float(e.sum())
    return total**2 / float((e**2).sum()) if total > 0 else 0.0


def pooled_spread(groups: Sequence[tuple[npt.ArrayLike, npt.ArrayLike]]) -> Spread:
    """Spread between the clusters of each group, pooled over groups, by moments; 0 degrees if nothing can be learnt.

    With rates of mean r and variance v r^2, the expected chi2 of a group of K clusters is
    K - 1 + v n (1 - sum p_k^2), with p_k the shares of exposure. Since the count n moves with its largest clusters,
    the excess comes out too small by some 1 + v sum p_k^2, which a second pass makes good.
    """
    moments = spread_moments(groups)
    variance = spread_of_moments(moments, np.ones((moments.shape[0], 1)))
    return Spread(float(variance[0]), float(moments[:, 3].sum()))


def spread_moments(groups: Sequence[tuple[npt.ArrayLike, npt.ArrayLike]]) -> Floats:
    """What each group tells of the spread between its clusters, shape (groups, 4): excess of chi2, n (1 - sum p_k^2),
    sum p_k^2, and degrees of freedom; 0 where it tells nothing."""
    moments = np.zeros((len(groups), 4))
    for place, (counts, exposures) in enumerate(groups):
        c, e = _with_exposure(counts, exposures)
        # One slide by itself tells nothing: given n of them, the excess is that of n - 1.
        if c.size < 2 or c.sum() < 2:
            continue
        shares = e / e.sum()
        expected = shares * c.sum()
        excess = ((c - expected) ** 2 / expected).sum() - (c.size - 1)
        together = (shares**2).sum()
        moments[place] = excess, c.sum() * (1 - together), together, c.size - 1
    return moments


def spread_of_moments(moments: Floats, weights: Floats) -> Floats:
    """Variances of the clusters of all groups, shape (B,), for weights of the groups, shape (groups, B).

    One slide in a cluster of little exposure could give anything: a variance is at most the number of clusters of a
    group, as if one of them had all slides, and at most ``_MOST_VARIANCE``.
    """
    excess, told, together, degrees = moments.T
    variance = np.zeros(weights.shape[1])
    for _ in range(2):
        below = (weights * (told[:, None] / (1 + together[:, None] * variance))).sum(axis=0)
        variance = np.divide(np.maximum(excess @ weights, 0.0), below, out=np.zeros_like(below), where=below > 0)
    clusters: Floats = np.max((degrees[:, None] + 1) * (weights > 0), axis=0, initial=1.0)
    bounded: Floats = np.minimum(variance, np.minimum(clusters, _MOST_VARIANCE))
    return bounded


def rate_interval(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    *,
    seed: Sequence[int],
    replicates: int = REPLICATES,
    level: float = LEVEL,
    pooled: Spread | None = None,
    weights: Floats | None = None,
    most: float | None = None,
) -> Rate | None:
    """Rate over clusters with its interval; see the module's text.

    Parameters
    ----------
    counts, exposures : one value for each cluster, shape (clusters,); clusters without exposure are left out, and
        those without a slide count with zero.
    seed : non-negative integers; the same ones give the same limits.
    pooled : spread between such clusters over the corpus, for groups of few clusters.
    weights : resampling weights for all given clusters, if they were drawn already, shape (replicates, clusters).
    most : a rate that cannot be exceeded; limits end there unless the estimate itself lies above.

    Returns
    -------
    None if there is no exposure.
    """
    c, e = _with_exposure(counts, exposures)
    if c.size == 0:
        return None
    count, exposure = float(c.sum()), float(e.sum())
    naive = poisson_interval(count, exposure=exposure, level=level)
    if c.size < FEW_CLUSTERS or count == 0:
        limits = _gamma_limits(c, e, pooled=pooled, level=level)
        low, high, method = min(limits[0], naive.low), max(limits[1], naive.high), SMALL
    else:
        if weights is None or weights.shape[1] != c.size:
            weights = resampling_weights(c.size, seed=seed, replicates=replicates)
        (low, high), method = _bootstrap(c, e, weights, level=level), BOOTSTRAP
    ceiling = np.inf if most is None or naive.estimate > most else most
    return Rate(naive.estimate, low, min(high, ceiling), naive.low, min(naive.high, ceiling), method)


def small_sample_warning(
    *, unit: str, clusters: int, effective: float, count: float, counted: str = "slide", learned_from: float = np.inf
) -> str | None:
    """What a reader must know before using a rate, or None; ``learned_from``: degrees of freedom from which the corpus
    tells the spread between clusters."""
    said = []
    if clusters < FEW_CLUSTERS:
        said.append(rough_interval(clusters, unit))
    elif effective < FEW_CLUSTERS / 2:
        said.append(f"most of the music comes from few {unit}s")
    if learned_from < ENOUGH_DEGREES and clusters < FEW_CLUSTERS:
        few = short_of(learned_from, ENOUGH_DEGREES, f"further {unit}", "learning it from slides")
        said.append(f"spread between {unit}s guessed: {few}")
    if 0 < count < FEW_COUNTED:
        said.append(short_of(count, FEW_COUNTED, counted, "a rate"))
    return "; ".join(said) or None


def rough_interval(clusters: int, unit: str, *, needed: int = FEW_CLUSTERS) -> str:
    """That an interval of so few clusters is a rough one."""
    return f"rough interval: {short_of(clusters, needed, unit, 'a sure one')}"


def _with_exposure(counts: npt.ArrayLike, exposures: npt.ArrayLike) -> tuple[Floats, Floats]:
    c = np.asarray(counts, dtype=np.float64)
    e = np.asarray(exposures, dtype=np.float64)
    kept = e > 0
    return c[kept], e[kept]


def _bootstrap(c: Floats, e: Floats, weights: Floats, *, level: float) -> tuple[float, float]:
    clusters = c.size
    rate = c.sum() / e.sum()
    drawn_count, drawn_exposure = weights @ c, weights @ e
    widening = np.sqrt(clusters / (clusters - 1))
    t = float(special.stdtrit(max(effective_clusters(e) - 1, 1.0), 0.5 + level / 2))
    tail = float(special.ndtr(-widening * t))
    low, high = plain_quantiles(drawn_count / drawn_exposure, [tail, 1 - tail])
    # Half a slide is added so that a resample without any has a logarithm.
    half = t * widening * float(np.std(np.log((drawn_count + 0.5) / (drawn_exposure + 0.5 / rate))))
    return min(low, float(rate * np.exp(-half))), max(high, float(rate * np.exp(half)))


def _gamma_limits(c: Floats, e: Floats, *, pooled: Spread | None, level: float) -> tuple[float, float]:
    """Exact limits where clusters' rates are gamma: the means that leave each tail its share."""
    count, exposure = float(c.sum()), float(e.sum())
    effective = effective_clusters(e)
    shape = effective / _variance(pooled_spread([(c, e)]), pooled or UNKNOWN, most=effective)
    tail = (1 - level) / 2
    low = _mean(shape, float(special.betaincinv(shape, count, 1 - tail))) if count > 0 else 0.0
    return low / exposure, _mean(shape, float(special.betaincinv(shape, count + 1, tail))) / exposure


def _variance(own: Spread, corpus: Spread, *, most: float) -> float:
    """The spread to reckon with: the corpus's, or more if the group's own clusters say so."""
    learnt = _learnt(corpus)
    weight = min(corpus.degrees + _GUESSED_DEGREES, _MOST_CORPUS_DEGREES)
    # All slides in one of K equal clusters give K; in a tiny cluster they could give anything.
    beside = (own.degrees * min(own.variance, most) + weight * learnt) / (own.degrees + weight)
    return max(learnt, beside)


def _learnt(corpus: Spread) -> float:
    """The variance that a corpus tells of, drawn towards the guess that it starts from."""
    told = corpus.degrees * corpus.variance + _GUESSED_DEGREES * _GUESSED_VARIANCE
    return told / (corpus.degrees + _GUESSED_DEGREES)


def _mean(shape: float, chance: float) -> float:
    """Mean of a negative binomial of that shape and chance."""
    return shape * (1 - chance) / chance
