"""Players as a random sample: how much they differ, and each one's own rate drawn towards the others'.

log rate of player p ~ N(mu, sigma); slides of one recording session ~ negative binomial with mean rate x exposure and
variance mean + (kappa mean)^2. Priors: mu flat, sigma half-normal(1), kappa half-normal(0.4), both on the scale of
logarithms (weakly informative: players of one corpus differ by less than e^2 either way). The posterior is summed over
a grid of all three, so that the limits of a player's rate hold the uncertainty of how much players differ: with the
spread plugged in they cover .69 to .92 for 5 to 40 players, so .93 to .96 (benchmarks/coverage). Morris, JASA 78
(1983); Laird and others, JASA 82 (1987) for what plugging in costs.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.stats.intervals import LEVEL, Interval
from pipeline.units import Floats

_HALF_WIDTH = 4.5  # e^4.5 is 90 times the corpus's rate
# Grids, finer where many slides make the posterior narrow (common practice, no source).
_POINTS, _FINE_POINTS, _MANY_SLIDES = 121, 301, 500
_KAPPAS: Floats = np.array([0.05, 0.1, 0.2, 0.3, 0.42, 0.6, 0.85, 1.2])  # the grid of spreads within a player
_MUS, _SIGMAS = 41, 30  # sizes of the grid
# Half-normal on the log scale: players seldom differ by more than e times (common practice, no source).
_SIGMA_PRIOR, _KAPPA_PRIOR = 1.0, 0.4
_NARROWINGS = 2  # of the grid about the posterior
_NEGLIGIBLE = 1e-5  # of the posterior, left out
# Chances below this are 0: their products would be denormal numbers, in which arithmetic is ten times as slow.
_TINY = 1e-140


@dataclass(frozen=True)
class PlayerGrid:
    """The posterior, in counts per unit of exposure; medians with equal-tailed limits.

    Attributes
    ----------
    typical, average : rate of the median and of the mean player.
    spread, session_spread : sigma and kappa, standard deviations of log rates between players and between the
        recording sessions of one player.
    rates, low, high : of each player, shape (players,).
    log_rates, weights : the typical player's logarithm, shape (41,), and the posterior weight of each value.
    """

    typical: Interval
    average: Interval
    spread: Interval
    session_spread: Interval
    rates: Floats
    low: Floats
    high: Floats
    log_rates: Floats
    weights: Floats


def player_grid(
    counts: npt.ArrayLike, exposures: npt.ArrayLike, players: npt.ArrayLike, *, level: float = LEVEL
) -> PlayerGrid | None:
    """Sum the posterior over the grid.

    Parameters
    ----------
    counts, exposures : of each recording session, shape (sessions,); exposures positive.
    players : number of the player of each session, 0 to players - 1, each present, shape (sessions,).

    Returns
    -------
    None with fewer than three players or no slide at all.
    """
    c, e = np.asarray(counts, dtype=np.float64), np.asarray(exposures, dtype=np.float64)
    of = np.asarray(players, dtype=np.intp)
    number = int(of.max()) + 1 if of.size else 0
    if number < 3 or c.sum() == 0:
        return None
    centre = float(np.log(c.sum() / e.sum()))
    points = _FINE_POINTS if np.bincount(of, c).max() > _MANY_SLIDES else _POINTS
    theta = np.linspace(-_HALF_WIDTH, _HALF_WIDTH, points)
    likelihood, scales = _likelihoods(c, e * np.exp(centre), of, theta)
    mus = np.linspace(-_HALF_WIDTH + 1, _HALF_WIDTH - 1, _MUS)
    sigmas = np.linspace(0.02, 3.0, _SIGMAS)
    for _ in range(_NARROWINGS + 1):
        mu, sigma = (x.ravel() for x in np.meshgrid(mus, sigmas, indexing="ij"))
        at_theta = _population(theta, mu, sigma)
        # A population far from some player underflows; it then has no weight.
        marginal = [np.maximum(matrix @ at_theta.T, 1e-300) for matrix in likelihood]
        logs = np.stack([np.log(each).sum(axis=0) for each in marginal]) + scales[:, None]
        logs += -0.5 * (sigma / _SIGMA_PRIOR) ** 2 + _kappa_prior()[:, None]
        weight = _no_tiny(special.softmax(logs))
        either = weight.max(axis=0).reshape(_MUS, _SIGMAS)
        used = mus, sigmas
        mus, sigmas = (_narrowed(x, either.max(axis=1 - axis)) for axis, x in enumerate(used))
    own = sum(((w / each) @ at_theta) * matrix for w, each, matrix in zip(weight, marginal, likelihood, strict=True))
    tails = np.array([(1 - level) / 2, 0.5, (1 + level) / 2])
    low, middle, high = np.exp(centre + _row_quantiles(theta, np.asarray(own), tails))
    together = weight.sum(axis=0)
    by_mu = together.reshape(_MUS, _SIGMAS).sum(axis=1)
    by_sigma = together.reshape(_MUS, _SIGMAS).sum(axis=0)
    return PlayerGrid(
        typical=_interval(np.exp(centre + _quantiles(used[0], by_mu, tails))),
        average=_interval(np.exp(centre + _quantiles(mu + sigma**2 / 2, together, tails))),
        spread=_interval(_quantiles(used[1], by_sigma, tails)),
        session_spread=_interval(_quantiles(_KAPPAS, weight.sum(axis=1), tails)),
        rates=middle,
        low=low,
        high=high,
        log_rates=centre + used[0],
        weights=by_mu,
    )


def _likelihoods(c: Floats, e: Floats, of: npt.NDArray[np.intp], theta: Floats) -> tuple[list[Floats], Floats]:
    """For each kappa: likelihood (players, points), its rows scaled to a largest of 1, and the sum of the scales."""
    order = np.argsort(of, kind="stable")
    c, e = c[order, None], e[order, None]
    starts = np.flatnonzero(np.diff(of[order], prepend=-1))
    mean = e * np.exp(theta)
    made, scales = [], []
    for kappa in _KAPPAS:
        shape = 1 / kappa**2
        term = special.gammaln(c + shape) - special.gammaln(shape) - (c + shape) * np.log1p(mean / shape)
        term += c * np.log(mean / shape)
        summed = np.add.reduceat(term, starts, axis=0)
        largest = summed.max(axis=1, keepdims=True)
        made.append(_no_tiny(np.exp(summed - largest)))
        scales.append(float(largest.sum()))
    return made, np.array(scales)


def _population(theta: Floats, mu: Floats, sigma: Floats) -> Floats:
    """Chance of each log rate, shape (mu and sigma, points), rows summing to 1."""
    squares = -0.5 * ((theta - mu[:, None]) / sigma[:, None]) ** 2
    return _no_tiny(special.softmax(squares, axis=1))


def _no_tiny(chances: Floats) -> Floats:
    return np.where(chances < _TINY, 0.0, chances)


def _kappa_prior() -> Floats:
    """Logarithm of the half-normal prior, each value standing for the stretch halfway to its neighbours."""
    return np.asarray(-0.5 * (_KAPPAS / _KAPPA_PRIOR) ** 2 + np.log(np.gradient(_KAPPAS)), dtype=np.float64)


def _narrowed(values: Floats, weights: Floats) -> Floats:
    kept = np.flatnonzero(weights > _NEGLIGIBLE * weights.max())
    first, last = max(kept[0] - 1, 0), min(kept[-1] + 1, values.size - 1)
    return np.linspace(values[first], values[last], values.size)


def _quantiles(values: Floats, weights: Floats, at: Floats) -> Floats:
    """Quantiles of atoms, each thought spread about its value; shape as ``at``."""
    order = np.argsort(values, kind="stable")
    cumulative = np.cumsum(weights[order])
    return np.interp(at, (cumulative - weights[order] / 2) / cumulative[-1], values[order])


def _row_quantiles(values: Floats, weights: Floats, at: Floats) -> Floats:
    """Quantiles of each row of weights over evenly spaced values, shape (len(at), rows)."""
    cumulative = np.cumsum(weights, axis=1)
    cumulative = (cumulative - weights / 2) / cumulative[:, -1:]
    made = np.empty((at.size, weights.shape[0]))
    for place, level in enumerate(at):
        above = np.clip((cumulative < level).sum(axis=1), 1, values.size - 1)
        low, high = (np.take_along_axis(cumulative, i[:, None], axis=1)[:, 0] for i in (above - 1, above))
        part = np.clip((level - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
        made[place] = values[above - 1] + part * (values[above] - values[above - 1])
    return made


def _interval(limits: Floats) -> Interval:
    low, middle, high = (float(x) for x in limits)
    return Interval(middle, low, high)
