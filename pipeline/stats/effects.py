"""Players as a random sample, and the separate effects of birth and recording date.

``player_effects``: true rates of players follow a gamma distribution; counts are Poisson with the overdispersion
between the sessions of a player, so count and exposure are divided by it (quasi-likelihood). The marginal counts
are then negative binomial; mean and shape are fitted by maximum likelihood, the limits of the variance are those
of the profile likelihood, and each player's own rate follows from the conjugate posterior (empirical Bayes:
Clayton and Kaldor, Biometrics 43, 1987). The limits of shrunken rates take mean and variance as known.

``regression``: a Poisson regression with the logarithm of exposure as offset and standard errors clustered by
player (statsmodels), with Student's t on players less terms.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special, stats

from pipeline.stats.intervals import LEVEL, Interval
from pipeline.units import Floats

_LOG_SHAPE = (-4.0, 12.0)


@dataclass(frozen=True)
class PlayerEffects:
    """Mean rate, variance of true rates between players with limits, and each player's shrunken rate.

    ``shrunken, low, high`` have shape (players,), in the order given.
    """

    mean: float
    variance: Interval
    shrunken: Floats
    low: Floats
    high: Floats


def player_effects(
    counts: npt.ArrayLike, exposures: npt.ArrayLike, *, overdispersion: float = 1.0, level: float = LEVEL
) -> PlayerEffects | None:
    """Fit the distribution of rates over players.

    Parameters
    ----------
    counts, exposures : of each player, shape (players,); exposures positive.
    overdispersion : variance over mean between the sessions of a player, at least 1.

    Returns
    -------
    None with fewer than three players or no slide at all.
    """
    c = np.asarray(counts, dtype=np.float64) / overdispersion
    e = np.asarray(exposures, dtype=np.float64) / overdispersion
    if c.size < 3 or c.sum() == 0:
        return None

    def loss(log_mean: float, log_shape: float) -> float:
        shape, mean = np.exp(log_shape), np.exp(log_mean)
        expected = mean * e
        terms = (
            special.gammaln(c + shape)
            - special.gammaln(shape)
            - (c + shape) * np.log1p(expected / shape)
            + c * np.log(expected / shape)
        )
        return -float(terms.sum())

    def best_mean(log_shape: float) -> tuple[float, float]:
        centre = np.log(c.sum() / e.sum())
        fit = optimize.minimize_scalar(
            loss, args=(log_shape,), bounds=(centre - 4, centre + 4), method="bounded", options={"xatol": 1e-8}
        )
        return float(fit.fun), float(fit.x)

    grid = np.linspace(*_LOG_SHAPE, 161)
    profile = np.array([best_mean(s)[0] for s in grid])
    at = int(np.argmin(profile))
    around = (grid[max(at - 1, 0)], grid[min(at + 1, grid.size - 1)])
    fit = optimize.minimize_scalar(lambda s: best_mean(s)[0], bounds=around, method="bounded")
    log_shape, least = float(fit.x), float(fit.fun)
    mean = float(np.exp(best_mean(log_shape)[1]))
    inside = grid[profile <= least + float(stats.chi2.ppf(level, 1)) / 2]
    # The profile flattens towards Poisson: there the variance may be 0.
    smallest = 0.0 if inside.size == 0 or inside[-1] >= grid[-1] else mean**2 / float(np.exp(inside[-1]))
    largest = mean**2 / float(np.exp(inside[0])) if inside.size else smallest
    shape = float(np.exp(log_shape))
    variance = 0.0 if log_shape > _LOG_SHAPE[1] - 0.2 else mean**2 / shape
    posterior_shape, posterior_rate = c + shape, e + shape / mean
    tail = (1 - level) / 2
    return PlayerEffects(
        mean=mean,
        variance=Interval(variance, min(smallest, variance), max(largest, variance)),
        shrunken=posterior_shape / posterior_rate,
        low=stats.gamma.ppf(tail, posterior_shape) / posterior_rate,
        high=stats.gamma.ppf(1 - tail, posterior_shape) / posterior_rate,
    )


@dataclass(frozen=True)
class Effect:
    """How many times the rate changes for one unit of a term, the other terms held fixed."""

    term: str
    ratio: Interval


def regression(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    terms: npt.ArrayLike,
    *,
    names: Sequence[str],
    players: Sequence[str],
    level: float = LEVEL,
) -> list[Effect] | None:
    """Poisson regression of slides on several terms at once, errors clustered by player.

    Parameters
    ----------
    counts, exposures : of each take, shape (takes,); exposures positive.
    terms : shape (takes, len(names)).
    players : the cluster of each take.

    Returns
    -------
    None if the terms cannot be told apart, or there are not more players than terms and one.
    """
    import statsmodels.api as sm

    c, e = np.asarray(counts, dtype=np.float64), np.asarray(exposures, dtype=np.float64)
    x = np.asarray(terms, dtype=np.float64)
    design = np.column_stack([np.ones(c.size), x - x.mean(axis=0)])
    _, groups = np.unique(np.asarray(players), return_inverse=True)
    free = int(groups.max()) + 1 - design.shape[1] if c.size else 0
    if free < 1 or c.sum() == 0 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    model = sm.GLM(c, design, family=sm.families.Poisson(), offset=np.log(e))
    fit = model.fit(cov_type="cluster", cov_kwds={"groups": groups})
    t = float(stats.t.ppf(0.5 + level / 2, free))
    effects = []
    for place, name in enumerate(names, start=1):
        middle, half = float(fit.params[place]), t * float(fit.bse[place])
        limits = (float(np.exp(middle + sign * half)) for sign in (0, -1, 1))
        effects.append(Effect(name, Interval(*limits)))
    return effects
