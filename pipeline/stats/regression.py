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
    c, e = np.asarray(counts, dtype=np.float64), np.asarray(exposures, dtype=np.float64)
    x = np.asarray(terms, dtype=np.float64)
    groups = np.unique(np.asarray(players), return_inverse=True)[1]
    if not _can_fit(c, x, groups):
        return None
    fit = _fit(c, e, x - x.mean(axis=0), groups)
    return _effects(np.asarray(fit.params), np.asarray(fit.bse), _freedom(groups), names=names, level=level)


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
    c, e = np.asarray(counts, dtype=np.float64), np.asarray(exposures, dtype=np.float64)
    x, half = np.array(terms, dtype=np.float64), np.asarray(half_spans, dtype=np.float64)
    groups = np.unique(np.asarray(players), return_inverse=True)[1]
    if not _can_fit(c, x, groups):
        return None
    if not (half > 0).any():
        return regression(c, e, x, names=names, players=players, level=level)
    x -= x.mean(axis=0)
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


def _fit(c: Floats, e: Floats, x: Floats, groups: npt.NDArray[np.intp]) -> Any:
    from statsmodels.genmod.cov_struct import Independence
    from statsmodels.genmod.families import Poisson
    from statsmodels.genmod.generalized_estimating_equations import GEE

    order = np.argsort(groups, kind="stable")
    design = np.column_stack([np.ones(c.size), x])[order]
    model = GEE(
        c[order],
        design,
        groups=groups[order],
        family=Poisson(),
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
