"""The error of finding slides, carried into rates: draws of true slides per find, stratum by stratum.

True slides per find f = precision + missed / finds in each stratum (recording process, accompaniment, noise class).
Precision: Jeffreys' posterior of the judged finds. Missed: a logistic model of the detector's own score among changes
of note without a find, an intercept for each stratum and one slope, with normal priors, drawn from Laplace's
approximation and summed over the scores of all such changes, with Poisson noise. It needs judged items drawn by class
of score (25 % from the lowest 80 % of scores, 30 % from the next 15 %, 45 % from the top 5 %), since misses are rare.
The number missed is convex in the coefficients, so that their errors make it too high twice, at the mode and again in
draws about it: each time by as much, in proportion, as the mean of the draws lies above the mode's own number (the
parametric bootstrap's estimate of bias: Efron and Tibshirani, An Introduction to the Bootstrap, 1993). Draws are
brought down by ``CONVEX`` of these times.

The estimate that goes with draws is their mean, whose expectation is right; medians of skewed draws lie below.

A group's draw of true slides is the sum over strata of f times its finds, with the same draws everywhere, so that an
error common to both groups of a ratio cancels in it. Double sampling: Tenenbein, JASA 65 (1970); Rogan and Gladen,
American Journal of Epidemiology 107 (1978). Two groups that slide alike but were found with recall .60 and .92 differ
by 1.42 uncorrected.
"""

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from pipeline.stats.intervals import LEVEL, Interval, product_of
from pipeline.stats.quantiles import plain_quantiles
from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
REPLICATES = 400  # draws: the error of a limit is 3 % of the width
CONVEX = 1.5
"""Trial, two sounds, 50, 100, 200 and 400 judged in each, 400 repeats: ratios off by +1.6, +1.1, +.7 and -1.8 %
(standard error 2; benchmarks/coverage); with 1 by +5.0 and +3.0 of the fewest. With 2, where a stratum has three misses
among its judged changes, limits of slides per find hold .91 (300 repeats), with 1.5 .94."""
ENOUGH_FINDS = 30
"""Judged finds that a stratum must hold to stand by itself; smaller ones merge upwards (as simulated)."""
LEAST_JUDGED = 50
"""Below so many judged items a rate stays uncorrected: the factor would be a guess (limits 4.7-fold apart at 50)."""
INTERCEPT, SLOPE = (-3.5, 2.5), (1.0, 1.0)
"""Normal priors of the logistic model of misses, mean and standard deviation."""


@dataclass(frozen=True)
class Judgements:
    """Judged items and the population from which they were drawn, by stratum, 0 to strata - 1.

    Attributes
    ----------
    finds, judged_finds, true_finds : all finds, those judged, and those of them that are slides, shape (strata,).
    strata, scores, is_slide : of each judged change without a find, shape (judged,); scores are logits, and whether it
        is a slide may be a chance.
    all_strata, all_scores, changes : the scores of all changes without a find, each of them or in classes, and how
        many changes each stands for, shape (classes,).
    """

    finds: Floats
    judged_finds: Floats
    true_finds: Floats
    strata: Ints
    scores: Floats
    is_slide: Floats
    all_strata: Ints
    all_scores: Floats
    changes: Floats


def true_slides_per_find(judged: Judgements, *, seed: tuple[int, ...], replicates: int = REPLICATES) -> Floats:
    """Draws of f, shape (replicates, strata)."""
    right, missed = error_draws(judged, seed=seed, replicates=replicates)
    return np.asarray(right + missed, dtype=np.float64)


def with_drawn_truths(
    judged: Callable[[Floats], Judgements], truths: Floats, *, seed: tuple[int, ...], replicates: int = REPLICATES
) -> Floats:
    """Draws of f, shape (replicates, strata), where it is only drawn what judged items are: as many for each such draw
    (multiple imputation: Rubin, Multiple Imputation for Nonresponse in Surveys, 1987).

    Parameters
    ----------
    judged : the judgements for one draw of which items are slides.
    truths : such draws, 0 or 1, shape (draws, items), no more than ``replicates``.
    """
    each = -(-replicates // len(truths))
    made = [
        true_slides_per_find(judged(truth), seed=(*seed, place), replicates=each) for place, truth in enumerate(truths)
    ]
    return np.concatenate(made)[:replicates]


def error_draws(judged: Judgements, *, seed: tuple[int, ...], replicates: int) -> tuple[Floats, Floats]:
    """Draws of precision and of slides missed for each find, shape (replicates, strata) each."""
    rng = np.random.default_rng(list(seed))
    strata = judged.finds.size
    right = rng.beta(judged.true_finds + 0.5, judged.judged_finds - judged.true_finds + 0.5, size=(replicates, strata))
    mode, root = _misses(judged, strata)
    # Never fewer, since their mean is compared with the mode's.
    coefficients = mode + rng.normal(size=(max(replicates, REPLICATES), mode.size)) @ root.T
    missed = np.zeros((replicates, strata))
    for stratum in range(strata):
        own = judged.all_strata == stratum
        if own.any():
            made, at_mode = (_sums(each, stratum, judged, own) for each in (coefficients, mode[None]))
            missed[:, stratum] = rng.poisson(made[:replicates] * (at_mode / made.mean()) ** CONVEX)
    return right, missed / np.maximum(judged.finds, 1.0)


def _sums(coefficients: Floats, stratum: int, judged: Judgements, own: npt.NDArray[np.bool_]) -> Floats:
    """Slides to be expected among the changes of a stratum by coefficients of shape (n, strata + 1), shape (n,)."""
    logit = coefficients[:, [stratum]] + coefficients[:, [-1]] * judged.all_scores[own]
    return np.asarray(special.expit(logit) @ judged.changes[own])


def worth(weights: npt.ArrayLike) -> float:
    """How many items of a simple random sample tell as much as items that stand for so many each (Kish 1965)."""
    w = np.asarray(weights, dtype=np.float64)
    return float(worth_by_stratum(w, np.zeros(w.size, dtype=np.intp), strata=1)[0])


def worth_by_stratum(weights: Floats, of: Ints, *, strata: int) -> Floats:
    """``worth`` (strata,) of the items of each stratum; ``of`` is that of each item."""
    total, squares = (np.bincount(of, x, minlength=strata) for x in (weights, weights**2))
    return np.asarray(total**2 / np.maximum(squares, 1e-12))


def _misses(judged: Judgements, strata: int) -> tuple[Floats, Floats]:
    """Mode of the logistic model (intercepts, then the slope), and a root of its covariance."""
    design = np.zeros((judged.scores.size, strata + 1))
    design[np.arange(judged.scores.size), judged.strata] = 1.0
    design[:, strata] = judged.scores
    mean, sd = np.array([*[INTERCEPT] * strata, SLOPE]).T
    precision = sd**-2

    def loss(beta: Floats) -> tuple[float, Floats]:
        logit = design @ beta
        value = np.logaddexp(0, logit).sum() - judged.is_slide @ logit + 0.5 * (precision * (beta - mean) ** 2).sum()
        return float(value), design.T @ (special.expit(logit) - judged.is_slide) + precision * (beta - mean)

    best = optimize.minimize(loss, mean, jac=True, method="L-BFGS-B").x
    p = special.expit(design @ best)
    information = design.T @ (design * (p * (1 - p))[:, None]) + np.diag(precision)
    return np.asarray(best, dtype=np.float64), np.linalg.cholesky(np.linalg.inv(information))


def merged_strata(keys: Sequence[tuple[Hashable, ...]], judged_finds: Sequence[float]) -> list[tuple[Hashable, ...]]:
    """The stratum in which each one is corrected: a stratum is split by its next property only if thirty finds were
    judged in every part.

    Parameters
    ----------
    keys : of each stratum, the most important property first; those above it leave properties out from the end.
    judged_finds : in each stratum.
    """
    sums: dict[tuple[Hashable, ...], float] = {}
    for key, count in zip(keys, judged_finds, strict=True):
        for length in range(len(key) + 1):
            sums[key[:length]] = sums.get(key[:length], 0.0) + count

    def splits(above: tuple[Hashable, ...]) -> bool:
        parts = [count for key, count in sums.items() if len(key) == len(above) + 1 and key[: len(above)] == above]
        return bool(parts) and min(parts) >= ENOUGH_FINDS

    made = []
    for key in keys:
        length = 0
        while length < len(key) and splits(key[:length]):
            length += 1
        made.append(key[:length])
    return made


def of_draws(draws: Floats, over: Floats | None = None, *, level: float = LEVEL) -> Interval:
    """The mean of draws with their limits; ``over``: of their quotient with others, replicate by replicate, whose
    estimate is that of the means."""
    quotient = draws if over is None else draws / over
    low, high = plain_quantiles(quotient, [(1 - level) / 2, (1 + level) / 2])
    return Interval(float(draws.mean() / (1.0 if over is None else over.mean())), low, high)


def corrected(found: Interval, factor: Floats, over: Floats | None = None, *, level: float = LEVEL) -> Interval:
    """A rate of finds, or a ratio of two, with the error of finding carried along.

    The logarithms' distances to the limits add in squares (Zou and Donner, Statistics in Medicine 27, 2008).

    Parameters
    ----------
    found : the rate or the ratio with its limits.
    factor : draws of true slides per find, of a ratio those of the first group.
    over : those of the second, replicate by replicate.
    """
    return product_of(found, of_draws(factor, over, level=level))
