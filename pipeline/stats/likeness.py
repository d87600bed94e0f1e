"""Do two players slide at the same places, beyond what the places themselves give?

Everybody slides where the music asks for it, so two strangers agree by more than their own rates say. For each pair the
agreement at the places that both play (Cohen's kappa) stands beside the kappa to be expected of two who slide at each
place as others do there, each raised or lowered on the log-odds to slide as often as the player did: what is left is
the pair's own. Limits resample places.

Teachers and students against other pairs: the mean of what is left over the taught pairs, less that over the others,
and how often players exchanged at random would give as much (a permutation of rows and columns together: Hubert,
Assignment Methods in Combinatorial Data Analysis, 1987, for pairs are not independent).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from pipeline.stats.rates import REPLICATES, resampling_weights
from pipeline.stats.resemblance import enough_pairs
from pipeline.units import Floats

Flags = npt.NDArray[np.bool_]
LEAST_PLACES = 10
"""Fewer places that both play say nothing of a pair (common practice, no source)."""
FEW_BOTH = 5.0
"""With fewer places where both slid, limits of resampled places are rough (common practice, no source)."""
GUESSED_ROWS = 1.0
"""How many rows at the mean rate are added to what others did at a place (common practice, no source)."""
PERMUTATIONS = 1999  # p is good to .005 at .05
_STEPS = 60  # halvings, to the last figure


@dataclass(frozen=True)
class Likeness:
    """Two players at the places that both play.

    ``both, one, neither`` count places by who slid, shares of repeated places included; ``beyond`` is ``kappa`` less
    ``kappa_of_places``, with its limits.
    """

    places: int
    both: float
    one: float
    neither: float
    kappa: float
    kappa_of_places: float
    beyond: float
    low: float
    high: float


def likeness(
    slid: Floats, told: Floats, first: int, other: int, *, seed: Sequence[int], replicates: int = REPLICATES
) -> Likeness | None:
    """Compare two players.

    Parameters
    ----------
    slid, told : (players, places) weight of the rows in which each slid, and of all that can be told.
    first, other : numbers of the two.

    Returns
    -------
    None if they share fewer than ``LEAST_PLACES`` places, or either always or never slides there.
    """
    at = np.flatnonzero((told[first] > 0) & (told[other] > 0))
    if at.size < LEAST_PLACES:
        return None
    x, y = (slid[k, at] / told[k, at] for k in (first, other))
    if not (0 < x.mean() < 1 and 0 < y.mean() < 1):
        return None
    rest = np.delete(np.arange(slid.shape[0]), [first, other])
    places = of_others(slid[rest], told[rest])[at]
    likely_x, likely_y = raised(places, x.mean()), raised(places, y.mean())
    whole = np.ones((1, at.size))
    kappa, by_places = _kappa(x, y, whole)[0], _kappa(likely_x, likely_y, whole)[0]
    weights = resampling_weights(at.size, seed=seed, replicates=replicates)
    drawn = _kappa(x, y, weights) - _kappa(likely_x, likely_y, weights)
    low, high = np.nanquantile(drawn, [0.025, 0.975])
    return Likeness(
        places=at.size,
        both=float((x * y).sum()),
        one=float((x * (1 - y) + y * (1 - x)).sum()),
        neither=float(((1 - x) * (1 - y)).sum()),
        kappa=float(kappa),
        kappa_of_places=float(by_places),
        beyond=float(kappa - by_places),
        low=float(low),
        high=float(high),
    )


def of_others(slid: Floats, told: Floats) -> Floats:
    """How often others slid at each place, (places,): never 0 or 1, for few were asked."""
    mean = (slid.sum() + 0.5) / (told.sum() + 1.0)
    return np.asarray((slid.sum(axis=0) + GUESSED_ROWS * mean) / (told.sum(axis=0) + GUESSED_ROWS), dtype=np.float64)


def raised(chances: Floats, mean: float) -> Floats:
    """The chances, all moved alike on the log-odds, so that their mean is ``mean``."""
    log_odds = logit(chances)
    low, high = -50.0, 50.0
    for _ in range(_STEPS):
        middle = (low + high) / 2
        if expit(log_odds + middle).mean() < mean:
            low = middle
        else:
            high = middle
    return np.asarray(expit(log_odds + low), dtype=np.float64)


def _kappa(x: Floats, y: Floats, weights: Floats) -> Floats:
    """Cohen's kappa of chances to slide, for each row of weights of places; NaN where chance agreement is complete."""
    total = weights.sum(axis=1)
    mean_x, mean_y = weights @ x / total, weights @ y / total
    observed = weights @ (x * y + (1 - x) * (1 - y)) / total
    expected = mean_x * mean_y + (1 - mean_x) * (1 - mean_y)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(expected < 1, (observed - expected) / (1 - expected), np.nan), dtype=np.float64)


@dataclass(frozen=True)
class TaughtPairs:
    """Means of what is left, over taught pairs and others; ``p`` one-sided, by exchanging players, None if few."""

    taught: int
    others: int
    mean_taught: float
    mean_others: float
    p: float | None


def taught_pairs(
    beyond: Floats, links: Flags, *, seed: Sequence[int], permutations: int = PERMUTATIONS
) -> TaughtPairs | None:
    """Whether teachers and students are more alike than other pairs.

    Parameters
    ----------
    beyond : (players, players) ``Likeness.beyond`` of each pair, symmetric, NaN where it is unknown.
    links : (players, players) who taught whom, symmetric.

    Returns
    -------
    None if no taught pair, or no other, is known.
    """
    upper = np.triu(np.ones(links.shape, dtype=np.bool_), 1)
    known = np.isfinite(beyond) & upper
    taught, others = known & links, known & ~links
    if not taught.any() or not others.any():
        return None
    return TaughtPairs(
        taught=int(taught.sum()),
        others=int(others.sum()),
        mean_taught=float(beyond[taught].mean()),
        mean_others=float(beyond[others].mean()),
        p=_p_of_exchanged(beyond, links, known, seed, permutations) if enough_pairs(int(taught.sum())) else None,
    )


def _p_of_exchanged(beyond: Floats, links: Flags, known: Flags, seed: Sequence[int], permutations: int) -> float:
    """How often players exchanged at random set their taught pairs as far above the others."""
    observed = float(beyond[known & links].mean() - beyond[known & ~links].mean())
    rng = np.random.default_rng(list(seed))
    reached = 1
    for _ in range(permutations):
        order = rng.permutation(links.shape[0])
        drawn = links[np.ix_(order, order)] & known
        if drawn.any() and (known & ~drawn).any():
            reached += beyond[drawn].mean() - beyond[known & ~drawn].mean() >= observed - 1e-12
        else:
            reached += 1
    return reached / (permutations + 1)
