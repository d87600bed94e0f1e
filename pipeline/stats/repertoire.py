"""Repertoire held equal: each change of note as a chance of a slide.

The chances of like changes (interval, direction, slurred, lengths of the two notes...) are summed by player and
recording session, so that a corpus of millions of changes is a few thousand rows. A logistic model of those cells and
of the group gives the rate each group would have **with the corpus's mix of changes** (g-computation; Robins,
Mathematical Modelling 7, 1986): the mean over that mix of the chance in the group. Errors: each player left out in
turn, by the one-step form of the jackknife that is CR3 (Bell and McCaffrey, Survey Methodology 28, 2002), with p x p
matrices only. Student's t has the degrees of the group's own players, by how unequally they recorded, and of two groups
those of Satterthwaite (1946): with all players' P - 2 false alarms of 15 against 15 were .07 to .09.

``expected_slides`` is the joint to every other rate: what each session would hold if its player slid as the corpus
does; observed over expected takes these for exposure (indirect standardisation, as the standardised mortality ratio).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from pipeline.stats.intervals import LEVEL, Interval
from pipeline.stats.rates import effective_clusters
from pipeline.stats.whose_rate import welch_freedom
from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
_STEPS = 40  # of Newton's method, at most
_CLOSE = 1e-9  # when it stops
# A ridge of this size on every coefficient but the constant's keeps cells that never or always slid finite; it weighs
# as a prior of standard deviation 10 on the logit.
_RIDGE = 0.01
_LEAST_WEIGHT = 1e-9


@dataclass(frozen=True)
class Cells:
    """Chances of a slide by kind of change, player and session.

    Attributes
    ----------
    features : of each kind of change, shape (kinds, features), without a constant.
    kinds : number of the kind of each row, shape (rows,).
    chances, slides : changes of note, and those that hold a slide, shape (rows,).
    players : number of the player, 0 to players - 1, shape (rows,).
    """

    features: Floats
    kinds: Ints
    chances: Floats
    slides: Floats
    players: Ints


@dataclass(frozen=True)
class Standardised:
    """Each group's share of changes with a slide, were its mix of changes the corpus's, shape (groups,).

    ``log_rates`` and ``covariance`` (groups, groups) are of the logarithms, with ``freedom`` degrees (groups,).
    """

    rates: Floats
    low: Floats
    high: Floats
    log_rates: Floats
    covariance: Floats
    freedom: Floats

    def ratio(self, first: int, second: int, *, level: float = LEVEL) -> tuple[Interval, float]:
        """Rate of one group over another's with the p value of no difference."""
        middle = float(self.log_rates[first] - self.log_rates[second])
        v = self.covariance
        se = float(np.sqrt(v[first, first] + v[second, second] - 2 * v[first, second]))
        freedom = welch_freedom(v[first, first], self.freedom[first], v[second, second], self.freedom[second])
        half = float(stats.t.ppf(0.5 + level / 2, freedom)) * se
        ratio = Interval(*(float(np.exp(middle + sign * half)) for sign in (0, -1, 1)))
        return ratio, float(2 * stats.t.sf(abs(middle) / se, freedom))


def standardised_rates(
    cells: Cells, groups: npt.ArrayLike, *, one_vote: bool = False, level: float = LEVEL
) -> Standardised | None:
    """Rates of groups with repertoire held equal.

    Parameters
    ----------
    groups : number of the group of each row, 0 to groups - 1, each present, shape (rows,).
    one_vote : each player has one vote, rather than each change of note.

    Returns
    -------
    None with fewer than four players, or a group without a slide.
    """
    of = np.asarray(groups, dtype=np.intp)
    number, players = int(of.max()) + 1, int(cells.players.max()) + 1
    if players < 4 or (np.bincount(of, cells.slides) == 0).any():
        return None
    weight = np.ones(of.size)
    if one_vote:
        weight = 1 / np.bincount(cells.players, cells.chances)[cells.players]
    weight *= cells.chances.sum() / float(weight @ cells.chances)
    corpus = _summed(cells.kinds, cells.chances, cells.features.shape[0])
    features = cells.features - np.average(cells.features, axis=0, weights=corpus)
    kind, group_of = (x.ravel() for x in np.indices((features.shape[0], number)))
    dummies = (group_of[:, None] == np.arange(1, number)).astype(np.float64)
    design = np.column_stack([np.ones(kind.size), dummies, features[kind]])
    n, y, row = cells.chances * weight, cells.slides * weight, cells.kinds * number + of
    beta = _logistic(design, _summed(row, n, kind.size), _summed(row, y, kind.size))
    moves = _left_out(design, row, n, y, beta, cells.players)
    shares = corpus / corpus.sum()
    log_rates, gradients = [], []
    for group in range(number):
        at = design[group_of == group]
        p = special.expit(at @ beta)
        rate = float(shares @ p)
        log_rates.append(np.log(rate))
        gradients.append((shares * p * (1 - p)) @ at / rate)
    changes = moves @ np.stack(gradients).T
    covariance = (players - 1) / players * changes.T @ changes
    freedom = np.array([_freedom(cells.players[of == group], n[of == group]) for group in range(number)])
    half = stats.t.ppf(0.5 + level / 2, freedom) * np.sqrt(np.diag(covariance))
    logs = np.array(log_rates)
    return Standardised(np.exp(logs), np.exp(logs - half), np.exp(logs + half), logs, covariance, freedom)


def _summed(of: Ints, values: Floats, size: int) -> Floats:
    return np.bincount(of, values, minlength=size).astype(np.float64)


def _freedom(players: Ints, chances: Floats) -> float:
    """A group's players less one, as many equal ones as they are worth (Kish), one at least."""
    return max(effective_clusters(np.bincount(players, chances)) - 1, 1.0)


def expected_slides(cells: Cells) -> Floats:
    """Slides of each row if everybody slid as the corpus does at such a change, shape (rows,); their sum is kept."""
    size = cells.features.shape[0]
    design = np.column_stack([np.ones(size), cells.features - cells.features.mean(axis=0)])
    chances, slides = (_summed(cells.kinds, x, size) for x in (cells.chances, cells.slides))
    expected = cells.chances * special.expit(design @ _logistic(design, chances, slides))[cells.kinds]
    return np.asarray(expected * cells.slides.sum() / expected.sum(), dtype=np.float64)


def _logistic(design: Floats, n: Floats, y: Floats) -> Floats:
    """Maximum likelihood by Newton's steps (iteratively reweighted least squares), shape (coefficients,)."""
    beta = np.zeros(design.shape[1])
    beta[0] = special.logit(np.clip(y.sum() / n.sum(), 1e-6, 1 - 1e-6))
    ridge = _ridge(design)
    for _ in range(_STEPS):
        p = special.expit(design @ beta)
        # Where every change holds a slide, or none does, the weights vanish and no maximum is left to be found.
        weight = n * np.maximum(p * (1 - p), _LEAST_WEIGHT)
        step = np.linalg.solve(design.T @ (design * weight[:, None]) + ridge, design.T @ (y - n * p) - ridge @ beta)
        beta = beta + step / max(1.0, float(np.abs(step).max()) / 2)
        if np.abs(step).max() < _CLOSE:
            break
    return beta


def _ridge(design: Floats) -> Floats:
    made = np.full(design.shape[1], _RIDGE)
    made[0] = 0.0
    return np.diag(made)


def _left_out(design: Floats, row: Ints, n: Floats, y: Floats, beta: Floats, players: Ints) -> Floats:
    """How far the coefficients move when a player is left out, to first order, shape (players, coefficients).

    ``row`` is the row of the design that the n chances and y slides of each player and kind belong to.
    """
    number, size = int(players.max()) + 1, design.shape[1]
    p = special.expit(design @ beta)[row]
    left, weight = y - n * p, n * p * (1 - p)
    order = np.argsort(players, kind="stable")
    ends = np.searchsorted(players[order], np.arange(number + 1))
    scores, information = np.empty((number, size)), np.empty((number, size, size))
    for place in range(number):
        own = order[ends[place] : ends[place + 1]]
        at = design[row[own]]
        scores[place], information[place] = at.T @ left[own], at.T @ (at * weight[own, None])
    inverse = np.linalg.inv(information.sum(axis=0) + _ridge(design))
    leverage = np.eye(size) - information @ inverse
    # Where a player alone tells a coefficient, leaving them out leaves it untold: least squares then.
    moved = np.empty((number, size))
    for place in range(number):
        moved[place] = inverse @ np.linalg.lstsq(leverage[place], scores[place], rcond=1e-10)[0]
    return moved
