"""Rates of slides with intervals that know that slides of one session or player are not independent.

A rate is a ratio of sums: all slides over all exposure. Its interval comes from resampling whole clusters
(sessions within one player's rate, players within a rate over players), with multinomial weights and a fixed
seed, so that the same takes always give the same limits.

Ten clusters or more: on each side the wider of (a) the percentile interval with its levels moved out to those of
Student's t and the factor sqrt(K / (K - 1)), and (b) the t interval of the logarithm of the rate with the
bootstrap's standard error. Degrees of freedom are those of the effective number of clusters
(sum e)^2 / sum e^2, less 1, since unequal exposures leave fewer independent pieces (Carter, Schnepel and
Steigerwald, Review of Economics and Statistics 99, 2017). Plain percentile limits cover 86 to 90 % with
15 unequal players; these cover 93 to 97 % (tests/stats/test_coverage.py).

Fewer than ten clusters: such a bootstrap is too narrow, so the interval is also at least as wide as the exact
Poisson interval for slides that come in bunches: count and exposure divided by the overdispersion (variance over
mean between clusters, at least 1): the group's own or that of the whole corpus (between all players, or between
the sessions of each player), whichever is greater, widened for its degrees of freedom. One cluster in a corpus
that has too few to learn from: chance alone, and a warning says so.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.stats.intervals import LEVEL, poisson_interval
from pipeline.units import Floats

REPLICATES = 2000
FEW_CLUSTERS = 10
# An overdispersion of fewer degrees of freedom than this says too little of other groups.
_ENOUGH_DEGREES = 3


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
class Overdispersion:
    """How many times the variance of counts between clusters exceeds Poisson's, and from how many degrees."""

    factor: float
    degrees: float


def resampling_weights(clusters: int, *, seed: Sequence[int], replicates: int = REPLICATES) -> npt.NDArray[np.int64]:
    """How often each cluster is drawn in each resample, shape (replicates, clusters)."""
    rng = np.random.default_rng(list(seed))
    return rng.multinomial(clusters, np.full(clusters, 1 / clusters), size=replicates)


def resampled_rates(counts: Floats, exposures: Floats, weights: npt.NDArray[np.int64]) -> Floats:
    """The rate in each resample: ratio of sums, not mean of rates; shape (replicates,)."""
    return np.asarray((weights @ counts) / (weights @ exposures), dtype=np.float64)


def effective_clusters(exposures: npt.ArrayLike) -> float:
    """Kish's effective number of clusters, (sum e)^2 / sum e^2; 0 without exposure."""
    e = np.asarray(exposures, dtype=np.float64)
    total = float(e.sum())
    return total**2 / float((e**2).sum()) if total > 0 else 0.0


def pooled_overdispersion(groups: Sequence[tuple[npt.ArrayLike, npt.ArrayLike]]) -> Overdispersion | None:
    """Overdispersion between the clusters of each group, pooled over groups: Pearson's chi2 over its degrees.

    Parameters
    ----------
    groups : counts and exposures of the clusters of each group, shape (clusters,) each.

    Returns
    -------
    None if no group has both two clusters and a slide.
    """
    pearson = degrees = 0.0
    for counts, exposures in groups:
        c, e = _with_exposure(counts, exposures)
        if c.size < 2 or c.sum() == 0:
            continue
        expected = e * c.sum() / e.sum()
        pearson += float(((c - expected) ** 2 / expected).sum())
        degrees += c.size - 1
    return Overdispersion(max(pearson / degrees, 1.0), degrees) if degrees else None


def rate_interval(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    *,
    seed: Sequence[int],
    replicates: int = REPLICATES,
    level: float = LEVEL,
    pooled: Overdispersion | None = None,
    weights: npt.NDArray[np.int64] | None = None,
) -> Rate | None:
    """Rate over clusters with its interval; see the module's text.

    Parameters
    ----------
    counts, exposures : one value for each cluster, shape (clusters,); clusters without exposure are left out, and
        those without a slide count with zero.
    seed : non-negative integers; the same ones give the same limits.
    pooled : overdispersion over the corpus, for groups of few clusters.
    weights : resampling weights for all given clusters, if they were drawn already, shape (replicates, clusters).

    Returns
    -------
    None if there is no exposure.
    """
    c, e = _with_exposure(counts, exposures)
    if c.size == 0:
        return None
    count, exposure = float(c.sum()), float(e.sum())
    naive = poisson_interval(count, exposure=exposure, level=level)
    low, high, method = naive.low, naive.high, "exact Poisson: one cluster"
    if c.size < FEW_CLUSTERS or count == 0:
        low, high, method = _bunched(c, e, pooled=pooled, level=level)
    if c.size > 1 and count > 0:
        if weights is None or weights.shape[1] != c.size:
            weights = resampling_weights(c.size, seed=seed, replicates=replicates)
        boot_low, boot_high = _bootstrap(c, e, weights, level=level, with_log=c.size >= FEW_CLUSTERS)
        if c.size >= FEW_CLUSTERS:
            low, high, method = boot_low, boot_high, "cluster bootstrap"
        else:
            low, high = min(low, boot_low), max(high, boot_high)
    return Rate(naive.estimate, low, high, naive.low, naive.high, method)


def small_sample_warning(*, unit: str, clusters: int, effective: float, count: float) -> str | None:
    """What a reader must know before using a rate, or None."""
    said = []
    if clusters == 1:
        said.append(f"one {unit}: its own spread between {unit}s is unknown")
    elif clusters < FEW_CLUSTERS:
        said.append(f"only {clusters} {unit}s: rough interval")
    elif effective < FEW_CLUSTERS / 2:
        said.append(f"most of the music comes from few {unit}s")
    if 0 < count < 5:
        said.append("fewer than 5 slides")
    return "; ".join(said) or None


def _with_exposure(counts: npt.ArrayLike, exposures: npt.ArrayLike) -> tuple[Floats, Floats]:
    c = np.asarray(counts, dtype=np.float64)
    e = np.asarray(exposures, dtype=np.float64)
    kept = e > 0
    return c[kept], e[kept]


def _bootstrap(
    c: Floats, e: Floats, weights: npt.NDArray[np.int64], *, level: float, with_log: bool
) -> tuple[float, float]:
    clusters = c.size
    rate = c.sum() / e.sum()
    drawn_count, drawn_exposure = weights @ c, weights @ e
    spread = np.sqrt(clusters / (clusters - 1))
    t = float(stats.t.ppf(0.5 + level / 2, max(effective_clusters(e) - 1, 1.0)))
    tail = float(stats.norm.cdf(-spread * t))
    low, high = (float(x) for x in np.quantile(resampled_rates(c, e, weights), [tail, 1 - tail]))
    if with_log:
        # Half a slide is added so that a resample without any has a logarithm.
        logs = np.log((drawn_count + 0.5) / (drawn_exposure + 0.5 / rate))
        half = t * spread * float(np.std(logs))
        low, high = min(low, rate * np.exp(-half)), max(high, rate * np.exp(half))
    return float(low), float(high)


def _bunched(c: Floats, e: Floats, *, pooled: Overdispersion | None, level: float) -> tuple[float, float, str]:
    """Exact Poisson interval of counts that come in bunches."""
    own = pooled_overdispersion([(c, e)])
    if pooled is not None and pooled.degrees < _ENOUGH_DEGREES:
        pooled = None
    if pooled is None and own is None:
        naive = poisson_interval(float(c.sum()), exposure=float(e.sum()), level=level)
        return naive.low, naive.high, "exact Poisson: no spread known"
    known = pooled or own
    assert known is not None
    factor = max(known.factor, own.factor if own else 1.0)
    widen = stats.t.ppf(0.5 + level / 2, known.degrees) / stats.norm.ppf(0.5 + level / 2)
    factor *= float(widen) ** 2
    made = poisson_interval(float(c.sum()) / factor, exposure=float(e.sum()) / factor, level=level)
    return made.low, made.high, "Poisson with overdispersion"
