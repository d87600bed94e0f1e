"""Whose rate is it: the music's as recorded, the average player's, or the typical player's?

Three questions, three names. *Music as recorded*: all slides over all exposure, what a random minute sounds like
(``stats.rates``). *Average player*: the mean of the players' rates, one vote each. *Typical player*: their geometric
mean, the centre of the logarithms, which is the median where these lie alike on both sides (where rates are gamma
distributed with a coefficient of variation of .6 the median is 7 % higher). Where those who recorded most also slid
most, the first is above the second by construction, and no interval cures that.

Typical player: Student's t on y = log((c + 1/2) / e), unweighted, since weights by inverse variance move with the
counts. Average player: the modified Cox interval, m + s2/2 with standard error sqrt(s2/n + s2^2 / (2 (n - 1))) and
Student's t (Olsson, Journal of Statistics Education 13, 2005); what chance alone adds to the spread, the mean of
1/(c + 1/2), is taken off s2 in the middle and left in the error. Two groups: Welch's t on the logarithms (Welch,
Biometrika 34, 1947). With fewer than ten slides a player these drift, and the grid over all hyperparameters
(``stats.player_grid``) takes their place.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.stats.intervals import LEVEL, Interval
from pipeline.stats.player_grid import Population, population
from pipeline.units import Floats

LEAST_PLAYERS_FOR_RATES = 3
"""Fewer players say nothing about players at large; three is the least number tried (benchmarks/coverage)."""
LEAST_PLAYERS_FOR_RATIO = 4
"""Judgement: with three against three the limits of a ratio lie 22-fold apart (benchmarks/coverage)."""
LEAST_MEAN_SLIDES = 10.0
"""With 5 slides a player the closed forms cover .85 to .89 of 40 players, the grid .94 to .97 (same benchmark)."""

LEAST_PLAYERS_FOR_SPREAD = 15
"""Fewer players, half of whom have fewer than ten slides, do not tell how much they differ: of 5 with 5 slides limits
lie 60-fold apart, of 8 47-fold, and what is believed beforehand draws the middle down by 7 to 15 % (600 repeats)."""


@dataclass(frozen=True)
class PlayersRates:
    """Rates of the typical and the average player of a group, in counts per unit of exposure.

    ``method`` is "log t" or "grid"; ``log_mean, log_se, freedom`` are those of the typical player's logarithm, for
    comparing groups, and ``posterior`` the grid's answer if it was asked.
    """

    typical: Interval
    average: Interval
    players: int
    method: str
    log_mean: float
    log_se: float
    freedom: float
    posterior: Population | None = None


def players_rates(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    players: npt.ArrayLike,
    *,
    level: float = LEVEL,
    posterior: Population | None = None,
) -> PlayersRates | None:
    """Rates of the typical and the average player.

    Parameters
    ----------
    counts, exposures : of each session (or other cluster within a player), shape (sessions,).
    players : of each session, anything that can be sorted, shape (sessions,).
    posterior : the grid's answer, where it has been asked already.

    Returns
    -------
    None with fewer than three players that have exposure, or without any slide.
    """
    c, e, of = _used(counts, exposures, players)
    number = int(of.max()) + 1 if of.size else 0
    if number < LEAST_PLAYERS_FOR_RATES or c.sum() == 0:
        return None
    slides, exposure = (np.bincount(of, x).astype(np.float64) for x in (c, e))
    if slides.mean() >= LEAST_MEAN_SLIDES:
        return _closed_form(slides, exposure, level=level)
    posterior = posterior or population(c, e, of, level=level)
    if posterior is None:
        return None
    mean = float(posterior.log_rates @ posterior.weights)
    sd = float(np.sqrt(((posterior.log_rates - mean) ** 2) @ posterior.weights))
    return PlayersRates(
        posterior.typical, posterior.average, number, "grid", mean, sd, float(number - 1), posterior=posterior
    )


def _used(
    counts: npt.ArrayLike, exposures: npt.ArrayLike, players: npt.ArrayLike
) -> tuple[Floats, Floats, npt.NDArray[np.intp]]:
    c, e = np.asarray(counts, dtype=np.float64), np.asarray(exposures, dtype=np.float64)
    kept = e > 0
    _, of = np.unique(np.asarray(players)[kept], return_inverse=True)
    return c[kept], e[kept], of


def _closed_form(slides: Floats, exposure: Floats, *, level: float) -> PlayersRates:
    number = slides.size
    y = np.log((slides + 0.5) / exposure)
    mean, variance = float(y.mean()), float(y.var(ddof=1))
    t = _student(number - 1, level)
    se = float(np.sqrt(variance / number))
    by_chance = float((1 / (slides + 0.5)).mean())
    middle = mean + max(variance - by_chance, 0.0) / 2
    cox = float(np.sqrt(variance / number + variance**2 / (2 * (number - 1))))
    return PlayersRates(
        typical=_on_logs(mean, t * se),
        average=_on_logs(middle, t * cox),
        players=number,
        method="log t",
        log_mean=mean,
        log_se=se,
        freedom=float(number - 1),
    )


@cache
def _student(freedom: int, level: float) -> float:
    return float(stats.t.ppf(0.5 + level / 2, freedom))


def _on_logs(middle: float, half: float) -> Interval:
    return Interval(float(np.exp(middle)), float(np.exp(middle - half)), float(np.exp(middle + half)))


@dataclass(frozen=True)
class Ratio:
    """First over second, with the two-sided p value of no difference; ``log_se`` and ``freedom`` are of its log."""

    ratio: Interval
    p: float
    log_se: float
    freedom: float


def ratio_from_logs(mean: float, se: float, freedom: float, *, level: float = LEVEL) -> Ratio:
    """The ratio whose logarithm has this mean, standard error and Student's degrees of freedom."""
    half = float(stats.t.ppf(0.5 + level / 2, freedom)) * se
    p = float(2 * stats.t.sf(abs(mean) / se, freedom)) if se > 0 else float("nan")
    return Ratio(_on_logs(mean, half), p, se, freedom)


def welch_freedom(first: float, first_freedom: float, second: float, second_freedom: float) -> float:
    """Degrees of freedom of a sum of two independent means with these squared standard errors (Satterthwaite 1946)."""
    return (first + second) ** 2 / (first**2 / first_freedom + second**2 / second_freedom)


def tells_spread(slides: npt.ArrayLike) -> bool:
    """Whether players with so many slides (players,) tell how much they differ.

    By the middle player's slides: a mean of ten is also reached by one who slid more than expected, and the spread of
    players so chosen is a quarter too great.
    """
    each = np.asarray(slides, dtype=np.float64)
    return each.size >= LEAST_PLAYERS_FOR_SPREAD or float(np.median(each)) >= LEAST_MEAN_SLIDES


def enough_for_ratio(*players: int) -> bool:
    """Whether groups of so many players may be set one over the other."""
    return min(players) >= LEAST_PLAYERS_FOR_RATIO


def compare_players(first: PlayersRates | None, second: PlayersRates | None, *, level: float = LEVEL) -> Ratio | None:
    """Typical player of the first group over that of the second; None below four players in either.

    Groups must share no player (those that do: ``stats.change``). Where either rate comes from the grid the ratio
    does too, both posteriors taken as independent, with twice the smaller tail as p.
    """
    if first is None or second is None or not enough_for_ratio(first.players, second.players):
        return None
    variances = first.log_se**2, second.log_se**2
    freedom = welch_freedom(variances[0], first.freedom, variances[1], second.freedom)
    welch = ratio_from_logs(first.log_mean - second.log_mean, float(np.sqrt(sum(variances))), freedom, level=level)
    if first.posterior is None and second.posterior is None:
        return welch
    atoms = [_atoms(each) for each in (first, second)]
    apart = (atoms[0][0][:, None] - atoms[1][0][None, :]).ravel()
    weights = (atoms[0][1][:, None] * atoms[1][1][None, :]).ravel()
    order = np.argsort(apart)
    cumulative = np.cumsum(weights[order]) - weights[order] / 2
    low, middle, high = np.interp([(1 - level) / 2, 0.5, (1 + level) / 2], cumulative, apart[order])
    below = float(np.interp(0.0, apart[order], cumulative, left=0.0, right=1.0))
    ratio = Interval(float(np.exp(middle)), float(np.exp(low)), float(np.exp(high)))
    return Ratio(ratio, 2 * min(below, 1 - below), welch.log_se, freedom)


def _atoms(rates: PlayersRates) -> tuple[Floats, Floats]:
    """The typical player's logarithm as atoms with weights."""
    if rates.posterior is not None:
        return rates.posterior.log_rates, rates.posterior.weights
    steps = (np.arange(400) + 0.5) / 400
    at = rates.log_mean + rates.log_se * stats.t.ppf(steps, rates.freedom)
    return np.asarray(at, dtype=np.float64), np.full(steps.size, 1 / steps.size)
