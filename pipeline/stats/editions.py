"""Which edition does a recording follow? The evidence of its slides, as a likelihood ratio.

A slide heard where an edition makes the hand move (a printed shift, or a printed slide) speaks for it, one where it
keeps the hand in place against it, and so does a printed shift without a slide. Of one who follows the edition the
chance to slide is higher at its shifts than elsewhere, by how much is not known; of others it is the same at both:

    follows: p1 > p0, every such pair alike;    chance: p1 = p0, every value alike

The ratio of the two integrals over the counts is exact (products of beta functions, and P(p1 > p0) under the beta
posteriors). Under chance a ratio of 20 and more comes in 5 of 100 takes at most, by Markov's inequality. Limits
resample places. Two editions are compared by the ratio of their ratios, at the places of which both say something.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from pipeline.stats.rates import resampling_weights
from pipeline.units import Floats

REPLICATES = 400
LEAST_PLACES = 10
"""Places at shifts and elsewhere, together, below which nothing is said (common practice, no source)."""
_GRID = (np.arange(400) + 0.5) / 400


@dataclass(frozen=True)
class Following:
    """The evidence that one edition was followed; logarithms to base 10, so that 1 is ten to one.

    ``shifts, shifts_slid, others, others_slid`` count places by what is printed and played. ``against_others`` is the
    lowest of the log ratios to the other editions, NaN if there is none; limits 95 %.
    """

    shifts: float
    shifts_slid: float
    others: float
    others_slid: float
    log_ratio: float
    low: float
    high: float
    against_others: float
    against_low: float
    against_high: float


def following(
    slid: Floats, shift: Floats, *, seed: Sequence[int], replicates: int = REPLICATES
) -> list[Following | None]:
    """The evidence for each edition.

    Parameters
    ----------
    slid : (places,) 1 slid, 0 not, or a share between where a place was played more than once.
    shift : (editions, places) 1 where the edition makes the hand move or prints a slide, 0 where it keeps the hand,
        NaN where it does not say.

    Returns
    -------
    For each edition its evidence; None where it says something of fewer than ``LEAST_PLACES`` places, or all the same.
    """
    places = slid.size
    if places < LEAST_PLACES:
        return [None] * len(shift)
    weights = np.vstack([np.ones((1, places)), resampling_weights(places, seed=seed, replicates=replicates)])
    whole = [_log_ratios(slid, row, weights) if _says(row) else None for row in shift]
    made: list[Following | None] = []
    for e, own in enumerate(whole):
        if own is None:
            made.append(None)
            continue
        versus = []
        for o, row in enumerate(shift):
            both = np.where(np.isfinite(row) & np.isfinite(shift[e]), 1.0, np.nan)
            if o == e or not (_says(row * both) and _says(shift[e] * both)):
                continue
            ratio = _log_ratios(slid, shift[e] * both, weights) - _log_ratios(slid, row * both, weights)
            versus.append(ratio)
        nearest = min(versus, key=lambda ratio: float(ratio[0]), default=np.full(2, np.nan))
        at, away = shift[e] == 1, shift[e] == 0
        made.append(
            Following(
                shifts=float(at.sum()),
                shifts_slid=float(slid[at].sum()),
                others=float(away.sum()),
                others_slid=float(slid[away].sum()),
                log_ratio=float(own[0]),
                low=float(np.quantile(own[1:], 0.025)),
                high=float(np.quantile(own[1:], 0.975)),
                against_others=float(nearest[0]),
                against_low=float(np.quantile(nearest[1:], 0.025)),
                against_high=float(np.quantile(nearest[1:], 0.975)),
            )
        )
    return made


def _says(shift: Floats) -> bool:
    return bool(np.isfinite(shift).sum() >= LEAST_PLACES and (shift == 1).any() and (shift == 0).any())


def _log_ratios(slid: Floats, shift: Floats, weights: npt.NDArray[np.float64]) -> Floats:
    at, away = (shift == 1).astype(np.float64), (shift == 0).astype(np.float64)
    n1, k1, n0, k0 = weights @ at, weights @ (at * slid), weights @ away, weights @ (away * slid)
    return log10_ratio(k1, n1, k0, n0)


def log10_ratio(k1: Floats, n1: Floats, k0: Floats, n0: Floats) -> Floats:
    """Log 10 of the ratio: ``k1`` slides at ``n1`` printed shifts, ``k0`` at ``n0`` other places; arrays alike.

    Two times the chance that p1 > p0 (which is one half before anything is heard), times the probability of the counts
    with two chances over that with one.
    """
    a1, b1, a0, b0 = k1 + 1.0, n1 - k1 + 1.0, k0 + 1.0, n0 - k0 + 1.0
    apart = special.betaln(a1, b1) + special.betaln(a0, b0)
    together = special.betaln(k1 + k0 + 1.0, n1 + n0 - k1 - k0 + 1.0)
    density = stats.beta.pdf(_GRID, a1[:, None], b1[:, None])
    above = (density * special.betainc(a0[:, None], b0[:, None], _GRID)).sum(axis=1) / density.sum(axis=1)
    return np.asarray((np.log(2.0 * np.maximum(above, 1e-300)) + apart - together) / np.log(10.0), dtype=np.float64)
