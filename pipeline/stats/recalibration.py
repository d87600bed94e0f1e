"""Chances of slides brought home to a corpus of another mix than the one they were learnt on.

*Shift*: the share of slides among all candidates is estimated from the stated chances themselves by EM, and the
chances follow it (Saerens, Latinne and Decaestecker, Neural Computation 14, 2002): where slides are 8 % of candidates
and .27 was learnt, the mean error of a stated chance falls from .186 to .004. *Line*: if the slope is wrong too, a
line on the shifted logit fitted to verdicts (Platt, in Advances in Large Margin Classifiers, 1999) with normal priors.

Either is used from 100 verdicts and only if it betters the logarithmic loss on them, of the line in ten-fold
cross-validation: the shift takes for granted that slides and others look here as they did where the chances were
learnt, and where the shift alone was right the line costs .03.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from pipeline.units import Floats

LEAST_VERDICTS = 100  # below which a slope is not learned (common practice, no source)
_PASSES, _CLOSE = 500, 1e-10  # at most, and when to stop
_OFFSET_SD, _SLOPE_SD = 0.7, 0.4  # priors of the change, on the logit scale (common practice, no source)
_FOLDS = 10  # common practice, no source


@dataclass(frozen=True)
class Recalibration:
    """New logit = offset + slope x (old logit + shift).

    Attributes
    ----------
    share : estimated share of slides among the candidates.
    shift : difference of the prior logits.
    offset, slope : the line, 0 and 1 where it is not used.
    """

    share: float
    shift: float
    offset: float = 0.0
    slope: float = 1.0

    def __call__(self, chances: npt.ArrayLike) -> Floats:
        """Recalibrated chances, shape as given."""
        return np.asarray(special.expit(self.offset + self.slope * (_logit(chances) + self.shift)), dtype=np.float64)


def prior_shift(chances: npt.ArrayLike, *, learnt_share: float) -> Recalibration:
    """The shift alone, from the chances of all candidates, judged or not, shape (candidates,).

    Parameters
    ----------
    learnt_share : share of slides among the candidates on which the chances were learnt.

    Raises
    ------
    ValueError
        Without candidates, or if the share does not lie between 0 and 1.
    """
    if not 0 < learnt_share < 1:
        raise ValueError(f"share {learnt_share}: give a number between 0 and 1")
    logits = _logit(chances)
    if not logits.size:
        raise ValueError("no candidate to learn the share of slides from")
    known = special.logit(learnt_share)
    share = learnt_share
    for _ in range(_PASSES):
        before, share = share, float(special.expit(logits + special.logit(share) - known).mean())
        share = min(max(share, 1e-6), 1 - 1e-6)
        if abs(share - before) < _CLOSE:
            break
    return Recalibration(share, float(special.logit(share) - known))


Used = Literal["as learnt", "shift", "shift and line"]


@dataclass(frozen=True)
class Chosen:
    """What is used, and the mean logarithmic loss on the verdicts without it and with it; NaN below the least number
    of verdicts."""

    used: Used
    recalibration: Recalibration
    verdicts: int
    loss_before: float = np.nan
    loss_after: float = np.nan


def chosen(
    candidates: npt.ArrayLike,
    chances: npt.ArrayLike,
    is_slide: npt.ArrayLike,
    *,
    learnt_share: float,
    seed: tuple[int, ...],
) -> Chosen:
    """The recalibration that pays on the verdicts, if any does.

    Parameters
    ----------
    candidates : chances of all candidates, judged or not, shape (candidates,).
    chances, is_slide : chances of judged candidates, drawn by chance given these, and the verdicts, 0 to 1, shape
        (judged,).
    """
    y = np.asarray(is_slide, dtype=np.float64)
    none = Chosen("as learnt", Recalibration(learnt_share, 0.0), y.size)
    if y.size < LEAST_VERDICTS:
        return none
    logits = _logit(chances)
    shifted = prior_shift(candidates, learnt_share=learnt_share)
    moved = logits + shifted.shift
    losses: dict[Used, float] = {
        "as learnt": _loss(logits, y) / y.size,
        "shift": _loss(moved, y) / y.size,
        "shift and line": _loss_of_line(moved, y, seed=seed) / y.size,
    }
    used = min(losses, key=lambda name: losses[name])  # of equals the simpler
    made = {
        "as learnt": lambda: none.recalibration,
        "shift": lambda: shifted,
        "shift and line": lambda: Recalibration(shifted.share, shifted.shift, *_line(moved, y)),
    }[used]()
    return Chosen(used, made, y.size, losses["as learnt"], losses[used])


def _loss_of_line(logits: Floats, y: Floats, *, seed: tuple[int, ...]) -> float:
    """Of verdicts that each line was not fitted to."""
    fold = np.random.default_rng(list(seed)).permutation(y.size) % _FOLDS
    total = 0.0
    for each in range(_FOLDS):
        out = fold == each
        offset, slope = _line(logits[~out], y[~out])
        total += _loss(offset + slope * logits[out], y[out])
    return total


def _logit(chances: npt.ArrayLike) -> Floats:
    return np.asarray(special.logit(np.clip(np.asarray(chances, dtype=np.float64), 1e-9, 1 - 1e-9)), dtype=np.float64)


def _loss(logits: Floats, y: Floats) -> float:
    return float(np.logaddexp(0, logits).sum() - y @ logits)


def _line(logits: Floats, y: Floats) -> tuple[float, float]:
    def loss(line: Floats) -> float:
        prior = float((line[0] / _OFFSET_SD) ** 2 + ((line[1] - 1) / _SLOPE_SD) ** 2)
        return _loss(line[0] + line[1] * logits, y) + prior / 2

    offset, slope = optimize.minimize(loss, np.array([0.0, 1.0]), method="BFGS").x
    return float(offset), float(slope)
