"""Which edition does a recording follow? The evidence of its slides and fingers, as a likelihood ratio.

Slides: one heard where an edition makes the hand move (a printed shift, or a printed slide) speaks for it, one where it
keeps the hand in place against it, and so does a printed shift without a slide. Of one who follows the edition the
chance to slide is higher at its shifts than elsewhere, by how much is not known; of others it is the same at both:

    follows: p1 > p0, every such pair alike;    chance: p1 = p0, every value alike

The ratio of the two integrals over the counts is exact (products of beta functions, and P(p1 > p0) under the beta
posteriors).

Fingers: everybody plays most notes with the usual finger, so what counts is more of the printed ones than others use at
the same places. Others have the printed finger at place i with the chance c_i; one who follows takes the print for a
share u of the notes and else does as others:

    follows: c_i + (1 - c_i) u, every u from 0 to 1 alike;    chance: c_i

Both ratios together are their product: fingers are taken only from places without a slide, so that no sound is counted
twice. Under chance a ratio of 20 and more comes in 5 of 100 takes at most, by Markov's inequality (of fingers as far as
the c_i are known). Limits resample places. Two editions are compared by the ratio of their ratios, at the places of
which both say something.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.stats.rates import resampling_weights
from pipeline.units import Floats

REPLICATES = 400  # draws: the error of a limit is 3 % of the width
LEAST_PLACES = 10
"""Places at shifts and elsewhere, together, below which nothing is said (common practice, no source)."""
_GRID = (np.arange(400) + 0.5) / 400  # grid of a share, in the middle of each 400th


@dataclass(frozen=True)
class Printed:
    """What each edition has at the places played.

    Attributes
    ----------
    shift : (editions, places) 1 where it makes the hand move or prints a slide, 0 where it keeps the hand, NaN where it
        does not say.
    alike : (editions, places) 1 where the finger is the printed one, 0 where it is another, a share where the place was
        played more than once; NaN where none is printed or known.
    chance : (editions, places) how often others have the printed finger there, above 0 and below 1; NaN where unknown.
    """

    shift: Floats
    alike: Floats
    chance: Floats

    def at(self, places: npt.NDArray[np.bool_]) -> "Printed":
        """The same at some of the places."""
        return Printed(self.shift[:, places], self.alike[:, places], self.chance[:, places])


@dataclass(frozen=True)
class Following:
    """The evidence that one edition was followed; logarithms to base 10, so that 1 is ten to one.

    ``shifts, shifts_slid, others, others_slid`` count places by what is printed and played, ``fingers, fingers_alike``
    printed fingers and those used. ``of_fingers`` is the fingers' part of ``log_ratio``. ``against_others`` is the
    lowest of the log ratios to the other editions, NaN if there is none; limits 95 %.
    """

    shifts: float
    shifts_slid: float
    others: float
    others_slid: float
    fingers: float
    fingers_alike: float
    of_fingers: float
    log_ratio: float
    low: float
    high: float
    against_others: float
    against_low: float
    against_high: float


def following(
    slid: Floats, printed: Printed, *, seed: Sequence[int], replicates: int = REPLICATES
) -> list[Following | None]:
    """The evidence for each edition.

    Parameters
    ----------
    slid : (places,) 1 slid, 0 not, or a share between where a place was played more than once.
    printed : what the editions have there.

    Returns
    -------
    For each edition its evidence; None where it says something of fewer than ``LEAST_PLACES`` places, or nothing that
    could speak for it (no shift, or shifts only, and no finger).
    """
    places = slid.size
    if places < LEAST_PLACES:
        return [None] * len(printed.shift)
    weights = np.vstack([np.ones((1, places)), resampling_weights(places, seed=seed, replicates=replicates)])
    fingers = np.isfinite(printed.alike) & np.isfinite(printed.chance)
    whole = [_evidence(slid, printed, e, weights) for e in range(len(printed.shift))]
    made: list[Following | None] = []
    for e, own in enumerate(whole):
        if own is None:
            made.append(None)
            continue
        versus = [
            ratio for f in range(len(whole)) if f != e and (ratio := _against(slid, printed, e, f, weights)) is not None
        ]
        nearest = min(versus, key=lambda ratio: float(ratio[0]), default=np.full(2, np.nan))
        at, away = printed.shift[e] == 1, printed.shift[e] == 0
        together = own[0] + own[1]
        made.append(
            Following(
                shifts=float(at.sum()),
                shifts_slid=float(slid[at].sum()),
                others=float(away.sum()),
                others_slid=float(slid[away].sum()),
                fingers=float(fingers[e].sum()),
                fingers_alike=float(printed.alike[e, fingers[e]].sum()),
                of_fingers=float(own[1][0]),
                log_ratio=float(together[0]),
                low=float(np.quantile(together[1:], 0.025)),
                high=float(np.quantile(together[1:], 0.975)),
                against_others=float(nearest[0]),
                against_low=float(np.quantile(nearest[1:], 0.025)),
                against_high=float(np.quantile(nearest[1:], 0.975)),
            )
        )
    return made


def _evidence(slid: Floats, printed: Printed, e: int, weights: Floats) -> tuple[Floats, Floats] | None:
    """Log 10 ratios of slides and of fingers, for each row of weights; None where the edition says too little."""
    shift, alike, chance = printed.shift[e], printed.alike[e], printed.chance[e]
    of_slides = bool((shift == 1).any() and (shift == 0).any())
    of_fingers = np.isfinite(alike) & np.isfinite(chance)
    if (np.isfinite(shift) | of_fingers).sum() < LEAST_PLACES or not (of_slides or of_fingers.any()):
        return None
    at, away = (shift == 1).astype(np.float64), (shift == 0).astype(np.float64)
    counts = (weights @ (at * slid), weights @ at, weights @ (away * slid), weights @ away)
    slides = log10_ratio(*counts) if of_slides else np.zeros(len(weights))
    return slides, fingers_log10_ratio(alike[of_fingers], chance[of_fingers], weights[:, of_fingers])


def _against(slid: Floats, printed: Printed, e: int, f: int, weights: Floats) -> Floats | None:
    """Log 10 of the ratio of two editions' ratios, at places of which both say something."""
    shift, alike, chance = (
        np.where(np.isfinite(each[e]) & np.isfinite(each[f]), each, np.nan)
        for each in (printed.shift, printed.alike, printed.chance)
    )
    both = Printed(shift, alike, chance)
    one, other = (_evidence(slid, both, each, weights) for each in (e, f))
    return None if one is None or other is None else one[0] + one[1] - other[0] - other[1]


def fingers_log10_ratio(alike: Floats, chance: Floats, weights: Floats) -> Floats:
    """Log 10 of the ratio of fingers, for each row of ``weights`` (replicates, places); 0 without places."""
    u = _GRID[:, None]
    logs = alike * np.log1p(u * (1.0 - chance) / chance) + (1.0 - alike) * np.log1p(-u)
    return np.asarray((special.logsumexp(weights @ logs.T, axis=1) - np.log(_GRID.size)) / np.log(10.0))


def log10_ratio(k1: Floats, n1: Floats, k0: Floats, n0: Floats) -> Floats:
    """Log 10 of the ratio: ``k1`` slides at ``n1`` printed shifts, ``k0`` at ``n0`` other places; arrays alike.

    Two times the chance that p1 > p0 (which is one half before anything is heard), times the probability of the counts
    with two chances over that with one.
    """
    a1, b1, a0, b0 = k1 + 1.0, n1 - k1 + 1.0, k0 + 1.0, n0 - k0 + 1.0
    apart = special.betaln(a1, b1) + special.betaln(a0, b0)
    together = special.betaln(k1 + k0 + 1.0, n1 + n0 - k1 - k0 + 1.0)
    log = special.xlogy(a1[:, None] - 1.0, _GRID) + special.xlog1py(b1[:, None] - 1.0, -_GRID)
    density = np.exp(log - log.max(axis=1, keepdims=True))
    above = (density * special.betainc(a0[:, None], b0[:, None], _GRID)).sum(axis=1) / density.sum(axis=1)
    return np.asarray((np.log(2.0 * np.maximum(above, 1e-300)) + apart - together) / np.log(10.0), dtype=np.float64)
