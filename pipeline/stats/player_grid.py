"""Players as a random sample: how much they differ, and each one's own rate drawn towards the others'.

log rate of player p ~ N(mu, sigma); slides of one recording session ~ negative binomial with mean rate x exposure and
variance mean + (kappa mean)^2. Priors: sigma half-normal(1), kappa half-normal(0.4), both on the scale of logarithms
(weakly informative: players of one corpus differ by less than e^2 either way). For the typical player and each one's
own rate mu has Jeffreys' prior given both, which makes the median of a posterior right to the second order (Welch and
Peers, Journal of the Royal Statistical Society B 25, 1963; Tibshirani, Biometrika 76, 1989): with mu flat the typical
one of five players with five slides each lies 3 % low, of three 6 %. For the average player, exp(mu + sigma^2 / 2), mu
is flat: that median is right to 2 % so, and 5 % high with the other (4,000 repeats each). The posterior is summed over
a grid of all three, so that the limits of a player's rate hold the uncertainty of how much players differ: with the
spread plugged in they cover .69 to .92 for 5 to 40 players, so .93 to .96 (benchmarks/coverage). Morris, JASA 78
(1983); Laird and others, JASA 82 (1987) for what plugging in costs.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.stats.intervals import LEVEL, Interval
from pipeline.units import Floats

_HALF_WIDTH = 4.5  # e^4.5 is 90 times the corpus's rate
# Grids, finer where many slides make the posterior narrow (common practice, no source).
_POINTS, _FINE_POINTS, _MANY_SLIDES = 121, 301, 500
_KAPPAS: Floats = np.array([0.05, 0.1, 0.2, 0.3, 0.42, 0.6, 0.85, 1.2])  # the grid of spreads within a player
_SIZES = ((21, 15), (21, 15), (41, 30))
"""Values of mu and sigma: of everything, and each time of where the posterior lies on the grid before. A second
narrowing is needed from some hundred players on."""
# Half-normal on the log scale: players seldom differ by more than e times (common practice, no source).
_SIGMA_PRIOR, _KAPPA_PRIOR = 1.0, 0.4
_NEGLIGIBLE = 1e-5  # of the posterior, left out
# Chances below this are 0: their products would be denormal numbers, in which arithmetic is ten times as slow.
_TINY = 1e-140


@dataclass(frozen=True)
class Population:
    """The posterior of what players are like, in counts per unit of exposure; medians with equal-tailed limits.

    Attributes
    ----------
    typical, average : rate of the median and of the mean player.
    spread, session_spread : sigma and kappa, standard deviations of log rates between players and between the
        recording sessions of one player.
    log_rates, weights : the typical player's logarithm, shape (41,), and the posterior weight of each value.
    """

    typical: Interval
    average: Interval
    spread: Interval
    session_spread: Interval
    log_rates: Floats
    weights: Floats


@dataclass(frozen=True)
class PlayerGrid(Population):
    """The same with the rate of each player and its limits, shape (players,)."""

    rates: Floats
    low: Floats
    high: Floats


def population(
    counts: npt.ArrayLike, exposures: npt.ArrayLike, players: npt.ArrayLike, *, level: float = LEVEL
) -> Population | None:
    """Sum the posterior over the grid.

    Parameters
    ----------
    counts, exposures : of each recording session, shape (sessions,); exposures positive.
    players : number of the player of each session, 0 to players - 1, each present, shape (sessions,).

    Returns
    -------
    None with fewer than three players or no slide at all.
    """
    summed = _summed(counts, exposures, players)
    return None if summed is None else Population(**_told(summed, level))


def player_grid(
    counts: npt.ArrayLike, exposures: npt.ArrayLike, players: npt.ArrayLike, *, level: float = LEVEL
) -> PlayerGrid | None:
    """The same with each player's own rate, drawn towards the others'; parameters as for ``population``."""
    summed = _summed(counts, exposures, players)
    if summed is None:
        return None
    cells = summed.cells.at_theta
    own = sum(
        ((weight / _chances(matrix, cells)) @ cells) * matrix
        for weight, matrix in zip(summed.matching, summed.likelihood, strict=True)
    )
    low, middle, high = np.exp(summed.centre + _row_quantiles(summed.theta, np.asarray(own), _tails(level)))
    return PlayerGrid(**_told(summed, level), rates=middle[summed.row], low=low[summed.row], high=high[summed.row])


@dataclass(frozen=True)
class _Cells:
    """Values of mu and sigma, and the chance of each log rate in each cell of both, shape (cells, points)."""

    mus: Floats
    sigmas: Floats
    at_theta: Floats

    @classmethod
    def of(cls, theta: Floats, mus: Floats, sigmas: Floats) -> "_Cells":
        mu, sigma = (x.ravel()[:, None] for x in np.meshgrid(mus, sigmas, indexing="ij"))
        # At most half a step of theta lies between mu and the nearest log rate, so that no row is 0 throughout.
        at_theta = np.exp(-0.5 * ((theta - mu) / sigma) ** 2)
        at_theta /= at_theta.sum(axis=1, keepdims=True)
        return cls(mus, sigmas, _no_tiny(at_theta))

    def narrowed(self, theta: Floats, weight: Floats, sizes: tuple[int, int]) -> "_Cells":
        """As many cells where these, of weights (kappas, cells), have any."""
        either = weight.max(axis=0).reshape(self.mus.size, self.sigmas.size)
        mus = _narrowed(self.mus, either.max(axis=1), sizes[0])
        return _Cells.of(theta, mus, _narrowed(self.sigmas, either.max(axis=0), sizes[1]))


@dataclass(frozen=True)
class _Summed:
    """The posterior.

    Attributes
    ----------
    centre, theta : logarithm of the corpus's rate, and log rates about it, shape (points,).
    likelihood : for each kappa the likelihood of each unlike player, shape (rows, points).
    row : of each player among the unlike ones, shape (players,).
    weight : of each kappa and cell, shape (kappas, cells).
    matching : the same with Jeffreys' prior of mu, of which the typical player and each one's own rate are told.
    """

    centre: float
    theta: Floats
    likelihood: list[Floats]
    row: npt.NDArray[np.intp]
    cells: _Cells
    weight: Floats
    matching: Floats


@cache
def _everything(points: int) -> tuple[Floats, _Cells]:
    """Log rates, and cells that hold whatever may be: the same for all groups."""
    theta = np.linspace(-_HALF_WIDTH, _HALF_WIDTH, points)
    mus = np.linspace(-_HALF_WIDTH + 1, _HALF_WIDTH - 1, _SIZES[0][0])
    return theta, _Cells.of(theta, mus, np.linspace(0.02, 3.0, _SIZES[0][1]))


def _summed(counts: npt.ArrayLike, exposures: npt.ArrayLike, players: npt.ArrayLike) -> _Summed | None:
    c, e = np.asarray(counts, dtype=np.float64), np.asarray(exposures, dtype=np.float64)
    of = np.asarray(players, dtype=np.intp)
    number = int(of.max()) + 1 if of.size else 0
    if number < 3 or c.sum() == 0:
        return None
    centre = float(np.log(c.sum() / e.sum()))
    theta, cells = _everything(_FINE_POINTS if np.bincount(of, c).max() > _MANY_SLIDES else _POINTS)
    row, often = np.arange(number), np.ones(number)
    if of.size == number:
        # Players alike in both, as many are at single bars, are worked out once.
        (c, e), row[of], repeats = np.unique([c, e], axis=1, return_inverse=True, return_counts=True)
        of, often = np.arange(repeats.size), repeats.astype(np.float64)
    relative = e * np.exp(centre)
    likelihood, scales = _likelihoods(c, relative, of, theta)
    scale = _kappa_prior() + scales @ often

    def weights(of: _Cells) -> Floats:
        logs = np.stack([often @ np.log(_chances(matrix, of.at_theta)) for matrix in likelihood])
        return _no_tiny(special.softmax(logs + scale[:, None] + np.tile(_sigma_prior(of.sigmas), of.mus.size)))

    weight = weights(cells)
    for sizes in _SIZES[1:]:
        cells = cells.narrowed(theta, weight, sizes)
        weight = weights(cells)
    matching = weight * _matching(relative, of, often, cells)
    return _Summed(centre, theta, likelihood, row, cells, weight, matching / matching.sum())


def _told(of: _Summed, level: float) -> dict[str, Any]:
    """The fields of ``Population``."""
    tails = _tails(level)
    mus, sigmas = of.cells.mus, of.cells.sigmas
    together = of.weight.sum(axis=0)
    by_sigma = together.reshape(mus.size, sigmas.size).sum(axis=0)
    by_mu = of.matching.sum(axis=0).reshape(mus.size, sigmas.size).sum(axis=1)
    mean = np.add.outer(mus, sigmas**2 / 2).ravel()
    return {
        "typical": _interval(np.exp(of.centre + _quantiles(mus, by_mu, tails))),
        "average": _interval(np.exp(of.centre + _quantiles(mean, together, tails))),
        "spread": _interval(_quantiles(sigmas, by_sigma, tails)),
        "session_spread": _interval(_quantiles(_KAPPAS, of.weight.sum(axis=1), tails)),
        "log_rates": of.centre + mus,
        "weights": by_mu,
    }


def _likelihoods(c: Floats, e: Floats, of: npt.NDArray[np.intp], theta: Floats) -> tuple[list[Floats], Floats]:
    """For each kappa: likelihood (players, points), its rows scaled to a largest of 1; and the logarithms of these
    scales, shape (kappas, players)."""
    order = np.argsort(of, kind="stable")
    c, log_e = c[order, None], np.log(e[order, None])
    starts = np.flatnonzero(np.diff(of[order], prepend=-1))
    made, scales = [], []
    for kappa in _KAPPAS:
        shape = 1 / kappa**2
        log_odds = log_e - np.log(shape) + theta
        term = special.gammaln(c + shape) - special.gammaln(shape) - (c + shape) * np.log1p(np.exp(log_odds))
        summed = np.add.reduceat(term + c * log_odds, starts, axis=0)
        largest = summed.max(axis=1, keepdims=True)
        made.append(_no_tiny(np.exp(summed - largest)))
        scales.append(largest[:, 0])
    return made, np.array(scales)


def _chances(likelihood: Floats, at_theta: Floats) -> Floats:
    """Chance of each player's slides in each cell, shape (players, cells); one that underflows weighs nothing."""
    return np.maximum(likelihood @ at_theta.T, 1e-300)


def _tails(level: float) -> Floats:
    return np.array([(1 - level) / 2, 0.5, (1 + level) / 2])


def _no_tiny(chances: Floats) -> Floats:
    return np.where(chances < _TINY, 0.0, chances)


def _kappa_prior() -> Floats:
    """Logarithm of the half-normal prior, each value standing for the stretch halfway to its neighbours."""
    return np.asarray(-0.5 * (_KAPPAS / _KAPPA_PRIOR) ** 2 + np.log(np.gradient(_KAPPAS)), dtype=np.float64)


def _sigma_prior(sigmas: Floats) -> Floats:
    return np.asarray(-0.5 * (sigmas / _SIGMA_PRIOR) ** 2)


def _matching(e: Floats, of: npt.NDArray[np.intp], often: Floats, cells: _Cells) -> Floats:
    """Jeffreys' prior of mu for each kappa and sigma, shape (kappas, cells), 1 at the corpus's rate: the root of the
    information on mu, of which a player whose sessions tell i of the own log rate gives i / (1 + sigma^2 i)."""
    mean = e[:, None] * np.exp(np.append(cells.mus, 0.0))
    made = []
    for kappa in _KAPPAS:
        told = np.zeros((often.size, cells.mus.size + 1))
        np.add.at(told, of, mean / (1 + kappa**2 * mean))
        of_mu = np.tensordot(often, told[:, :, None] / (1 + cells.sigmas**2 * told[:, :, None]), 1)
        made.append(np.sqrt(of_mu[:-1] / of_mu[-1]).ravel())
    return np.array(made)


def _narrowed(values: Floats, weights: Floats, size: int) -> Floats:
    kept = np.flatnonzero(weights > _NEGLIGIBLE * weights.max())
    first, last = max(kept[0] - 1, 0), min(kept[-1] + 1, values.size - 1)
    return np.linspace(values[first], values[last], size)


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
