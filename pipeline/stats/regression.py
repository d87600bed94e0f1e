"""Separate effects of birth, recording date, process and the like on the rate of slides.

Generalised estimating equations with the logarithm of exposure as offset, takes of one player as a cluster, working
independence, and the standard errors of Mancl and DeRouen (Biometrics 57, 2001), which are CR3 without the factor
(G - 1)/G, with Student's t on players less one: they cover .95 to .96 with 6 to 20 players where the plain sandwich
covers .86 to .91 (benchmarks/coverage). Fewer than eight players get no regression (judgement).

Age, birth and date are one equation (age = date - birth): with birth held, the effect of the date *is* that of growing
older; no method can tell the three apart (Holford, Annual Review of Public Health 12, 1991).

Dates enter by the middles of their spans: the error is then independent of the middle (Berkson, JASA 45, 1950) and
leaves the slope alone, where dates drawn evenly from the spans would flatten it by a third. Where more than half of the
takes are uncertain the dates are drawn given the count and the other terms, and ten fits combined (Rubin, Multiple
Imputation for Nonresponse in Surveys, 1987): middles mislead where spans reach beyond the years in which a player born
then can have recorded.

The Poisson mean with these errors is quasi-Poisson: right whatever the variance, but long takes weigh by their length
alone. Where the variance grows with the square of the mean, as a spread between takes makes it, negative binomial
regression with the same errors weighs takes better, and stands beside it. Which of the two the takes look like is told
by Cameron and Trivedi's regressions (Journal of Econometrics 46, 1990); Ver Hoef and Boveng (Ecology 88, 2007) say why
it matters.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from pipeline.stats.intervals import LEVEL, Interval
from pipeline.units import Floats

LEAST_PLAYERS = 8  # fewer tell no effects apart (common practice, no source)
_DRAWS, _GRID = 10, 15  # of uncertain dates (common practice, no source)
_ALPHA_PASSES = 3  # after which alpha moves by less than a hundredth (trial)
_LEAST_ALPHA = 1e-6  # below it the variance is a Poisson's
# Least eigenvalue against the greatest below which a design counts as singular: rounding error of double precision.
_SINGULAR = 1e-10


@dataclass(frozen=True)
class Effect:
    """How many times the rate changes for one unit of a term, the other terms held; two-sided p of no change."""

    term: str
    ratio: Interval
    p: float


def regression(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    terms: npt.ArrayLike,
    *,
    names: Sequence[str],
    players: Sequence[str],
    level: float = LEVEL,
) -> list[Effect] | None:
    """Regression of slides on several terms at once, errors clustered by player.

    Parameters
    ----------
    counts, exposures : of each take, shape (takes,); exposures positive.
    terms : shape (takes, len(names)).
    players : the cluster of each take.

    Returns
    -------
    None with fewer than eight players, no slide, or terms that cannot be told apart, with all players or without any
    one of them: then a coefficient hangs on one player, and leaving the player out, as the errors do, leaves none.
    """
    takes = _takes(counts, exposures, terms, players)
    if takes is None:
        return None
    c, e, x, groups = takes
    fit = _fit(c, e, x - x.mean(axis=0), groups)
    return _effects(np.asarray(fit.params), np.asarray(fit.bse), _freedom(groups), names=names, level=level)


def negative_binomial(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    terms: npt.ArrayLike,
    *,
    names: Sequence[str],
    players: Sequence[str],
    level: float = LEVEL,
) -> list[Effect] | None:
    """As ``regression``, with a variance of mean + alpha mean^2, alpha by moments.

    Returns
    -------
    None where ``regression`` gives none, and where takes do not look so: the squares of what the Poisson means leave
    do not grow beyond them (one-sided 5 %), or grow with the means rather than with their squares.
    """
    takes = _takes(counts, exposures, terms, players)
    if takes is None:
        return None
    c, e, x, groups = takes
    x = x - x.mean(axis=0)
    fit = _fit(c, e, x, groups)
    mean = _means(fit, e, x)
    if not _grows_with_square(c, mean):
        return None
    for _ in range(_ALPHA_PASSES):
        alpha = float(((c - mean) ** 2 - mean).sum() / (mean**2).sum())
        fit = _fit(c, e, x, groups, alpha=max(alpha, _LEAST_ALPHA))
        mean = _means(fit, e, x)
    return _effects(np.asarray(fit.params), np.asarray(fit.bse), _freedom(groups), names=names, level=level)


def _means(fit: Any, e: Floats, x: Floats) -> Floats:
    beta = np.asarray(fit.params)
    return np.asarray(e * np.exp(beta[0] + x @ beta[1:]))


def _grows_with_square(c: Floats, mean: Floats) -> bool:
    """Whether the variance beyond the mean is there, and follows its square rather than itself: the regressions of
    ((c - m)^2 - c) / m on m and on a constant, each without another term."""
    beyond = ((c - mean) ** 2 - c) / mean
    slope = float(beyond @ mean / (mean @ mean))
    left = beyond - slope * mean
    se = float(np.sqrt((left**2) @ mean**2) / (mean @ mean))
    spread = float(((beyond - beyond.mean()) ** 2).sum())
    return slope > float(stats.norm.ppf(0.95)) * se and float(left @ left) < spread


def dated_regression(
    counts: npt.ArrayLike,
    exposures: npt.ArrayLike,
    terms: npt.ArrayLike,
    *,
    names: Sequence[str],
    players: Sequence[str],
    dated: int,
    half_spans: npt.ArrayLike,
    seed: Sequence[int],
    level: float = LEVEL,
) -> list[Effect] | None:
    """As ``regression``, with the dates in column ``dated`` drawn given the counts and ten fits combined.

    Parameters
    ----------
    half_spans : half of each take's span of dates, in the unit of that column, whose values are the middles.
    """
    takes = _takes(counts, exposures, terms, players)
    if takes is None:
        return None
    c, e, x, groups = takes
    half = np.asarray(half_spans, dtype=np.float64)
    if not (half > 0).any():
        return regression(c, e, x, names=names, players=players, level=level)
    x = x - x.mean(axis=0)
    rng = np.random.default_rng(list(seed))
    open_takes = np.flatnonzero(half > 0)
    steps = np.linspace(-1, 1, _GRID)
    middles = x[:, dated].copy()
    grid = middles[:, None] + half[:, None] * steps
    usual = _usual_dates(x, dated, half, grid)
    fits: list[tuple[Floats, Floats]] = []
    fit = _fit(c, e, x, groups)
    for _ in range(_DRAWS):
        beta = rng.multivariate_normal(np.asarray(fit.params), np.asarray(fit.cov_params()))
        x[:, dated] = middles
        chances = _date_chances(c, e, x, groups, beta, dated, grid, usual)
        upto = np.cumsum(chances[open_takes], axis=1)
        step = (upto < rng.random((open_takes.size, 1))).sum(axis=1).clip(max=_GRID - 1)
        within = steps[step] + rng.uniform(-1, 1, open_takes.size) / (_GRID - 1)
        x[open_takes, dated] = middles[open_takes] + half[open_takes] * within.clip(-1, 1)
        fit = _fit(c, e, x, groups)
        fits.append((np.asarray(fit.params), np.asarray(fit.bse)))
    means, errors = (np.stack(each) for each in zip(*fits, strict=True))
    variance = (errors**2).mean(axis=0) + (1 + 1 / _DRAWS) * means.var(axis=0, ddof=1)
    return _effects(means.mean(axis=0), np.sqrt(variance), _freedom(groups), names=names, level=level)


def _takes(
    counts: npt.ArrayLike, exposures: npt.ArrayLike, terms: npt.ArrayLike, players: Sequence[str]
) -> tuple[Floats, Floats, Floats, npt.NDArray[np.intp]] | None:
    """Counts, exposures, terms and the number of the player of each take; None where nothing can be fitted."""
    c, e = np.asarray(counts, dtype=np.float64), np.asarray(exposures, dtype=np.float64)
    x = np.asarray(terms, dtype=np.float64)
    groups = np.unique(np.asarray(players), return_inverse=True)[1]
    return (c, e, x, groups) if _can_fit(c, x, groups) else None


def _can_fit(c: Floats, x: Floats, groups: npt.NDArray[np.intp]) -> bool:
    enough = groups.size > 0 and int(groups.max()) + 1 >= max(LEAST_PLAYERS, x.shape[1] + 2)
    if not enough or c.sum() == 0:
        return False
    design = np.column_stack([np.ones(c.size), x - x.mean(axis=0)])
    scale = np.abs(design).max(axis=0)
    design /= np.where(scale > 0, scale, 1.0)
    of_player = np.zeros((int(groups.max()) + 1, design.shape[1], design.shape[1]))
    np.add.at(of_player, groups, design[:, :, None] * design[:, None, :])
    left = np.linalg.eigvalsh(of_player.sum(axis=0) - of_player)
    return bool((left[:, 0] > _SINGULAR * left[:, -1]).all())


def _fit(c: Floats, e: Floats, x: Floats, groups: npt.NDArray[np.intp], *, alpha: float = 0.0) -> Any:
    """The fit with variance mean + alpha mean^2."""
    from statsmodels.genmod.cov_struct import Independence
    from statsmodels.genmod.families import NegativeBinomial, Poisson
    from statsmodels.genmod.generalized_estimating_equations import GEE

    order = np.argsort(groups, kind="stable")
    design = np.column_stack([np.ones(c.size), x])[order]
    model = GEE(
        c[order],
        design,
        groups=groups[order],
        family=NegativeBinomial(alpha=alpha) if alpha > 0 else Poisson(),
        offset=np.log(e[order]),
        cov_struct=Independence(),
    )
    with warnings.catch_warnings():
        # Rates that fit exactly, as made rows do, are no fault.
        warnings.filterwarnings("ignore", message="Perfect separation")
        return model.fit(cov_type="bias_reduced")


def _freedom(groups: npt.NDArray[np.intp]) -> int:
    return int(groups.max())


def _effects(params: Floats, errors: Floats, freedom: int, *, names: Sequence[str], level: float) -> list[Effect]:
    t = float(stats.t.ppf(0.5 + level / 2, freedom))
    made = []
    for name, middle, se in zip(names, params[1:], errors[1:], strict=True):
        limits = (float(np.exp(middle + sign * t * se)) for sign in (0, -1, 1))
        p = float(2 * stats.t.sf(abs(middle) / se, freedom)) if se > 0 else np.nan
        made.append(Effect(name, Interval(*limits), p))
    return made


def _usual_dates(x: Floats, dated: int, half: Floats, grid: Floats) -> Floats:
    """Logarithm of how usual each date is for a take with these other terms (a player born then...), from a straight
    line with normal residuals through the middles, the certain ones alone where there are ten for each term."""
    others = np.column_stack([np.ones(half.size), np.delete(x, dated, axis=1)])
    sure = half == 0
    if sure.sum() < 10 * others.shape[1]:
        sure = np.ones(half.size, dtype=bool)
    line = np.linalg.lstsq(others[sure], x[sure, dated], rcond=None)[0]
    sd = float((x[sure, dated] - others[sure] @ line).std())
    return np.asarray(-0.5 * ((grid - (others @ line)[:, None]) / max(sd, 1e-6)) ** 2, dtype=np.float64)


def _date_chances(
    c: Floats,
    e: Floats,
    x: Floats,
    groups: npt.NDArray[np.intp],
    beta: Floats,
    dated: int,
    dates: Floats,
    usual: Floats,
) -> Floats:
    """Chance of each date on the grid given the take's count, shape (takes, grid): negative binomial about the
    player's own level, with the spread between takes of one player by moments, times how usual the date is."""
    base = np.log(e) + beta[0] + x @ beta[1:]
    mean = np.exp(base)
    level = (4.0 + np.bincount(groups, c)) / (4.0 + np.bincount(groups, mean))
    expected = mean * level[groups]
    spread = max(float(((c - expected) ** 2 - expected).sum() / (expected**2).sum()), 1e-3)
    at = expected[:, None] * np.exp(beta[1 + dated] * (dates - x[:, [dated]]))
    logs = c[:, None] * np.log(at / (at + 1 / spread)) - np.log1p(at * spread) / spread
    return np.asarray(special.softmax(logs + usual, axis=1), dtype=np.float64)
