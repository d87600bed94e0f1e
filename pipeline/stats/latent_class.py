"""What listeners' answers say of slides if no listener is taken for the truth.

Two listeners or more judge the same items, finds and changes of note without a find. Each hears a slide that is there
with probability se and no slide where none is with sp, the same in all groups of items, and listeners err
independently given the truth (Hui and Walter, Biometrics 36, 1980; Dawid and Skene, Applied Statistics 28, 1979). Since
misses are rare, a listener who imagines one slide in thirty changes would overstate them: 1.17 true slides per find
where 1.00 is true; two listeners so combined give 1.00 (benchmarks/coverage).

A listener who "cannot tell" has given no answer on the item; the others' still count. Faint slides that fool all
listeners alike break the independence, and are not seen by this.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from pipeline.stats.rates import resampling_weights
from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
_PASSES = 150  # of the EM algorithm (common practice, no source)
# Pseudo-answers: listeners are mostly right (1.8 of 2; 1.9 of 2), and a group's share is not exactly 0 or 1.
_HEARD_RIGHT, _SILENT_RIGHT, _ANSWERS = 1.8, 1.9, 2.0
_SHARE, _SHARES = 0.05, 0.1
_REPLICATES = 400


@dataclass(frozen=True)
class Answers:
    """Listeners' answers.

    Attributes
    ----------
    heard : 1 slide, 0 no slide, NaN no answer or cannot tell, shape (items, listeners).
    groups : number of the group of each item, 0 to groups - 1, shape (items,); by stratum, finds and others apart.
    sides : number of the side of each item, 0 to sides - 1, shape (items,).
    """

    heard: Floats
    groups: Ints
    sides: Ints


@dataclass(frozen=True)
class LatentClass:
    """Share of true slides in each group, and each listener's se and sp.

    ``shares`` has shape (groups,), ``sensitivity`` and ``specificity`` (listeners,), ``truth`` the chance that each
    item is a slide, shape (items,), ``drawn`` resampled shares, shape (replicates, groups).
    """

    shares: Floats
    sensitivity: Floats
    specificity: Floats
    truth: Floats
    drawn: Floats


def latent_class(answers: Answers, *, seed: tuple[int, ...], replicates: int = _REPLICATES) -> LatentClass | None:
    """Fit by EM, with draws from resampling sides.

    Returns
    -------
    None without items that two listeners answered.
    """
    if answers.heard.size == 0 or not (np.isfinite(answers.heard).sum(axis=1) >= 2).any():
        return None
    one = np.ones((1, answers.groups.size))
    shares, se, sp, truth = _em(answers, one)
    sides = int(answers.sides.max()) + 1
    weights = resampling_weights(sides, seed=seed, replicates=replicates)[:, answers.sides].astype(np.float64)
    drawn = np.concatenate([_em(answers, part)[0] for part in np.array_split(weights, max(1, replicates // 50))])
    return LatentClass(shares[0], se[0], sp[0], truth[0], drawn)


def _em(answers: Answers, weights: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Shares (B, groups), se and sp (B, listeners), truth (B, items) for weights of the items (B, items)."""
    yes, no = (answers.heard == 1).astype(np.float64), (answers.heard == 0).astype(np.float64)
    groups = int(answers.groups.max()) + 1
    member = (answers.groups[:, None] == np.arange(groups)).astype(np.float64)
    size = weights @ member
    answered = (yes + no).sum(axis=1)
    first = yes.sum(axis=1) / np.maximum(answered, 1)
    truth = np.broadcast_to(0.05 + 0.9 * first, weights.shape)
    for _ in range(_PASSES):
        sure, not_sure = weights * truth, weights * (1 - truth)
        se = (sure @ yes + _HEARD_RIGHT) / (sure @ (yes + no) + _ANSWERS)
        sp = (not_sure @ no + _SILENT_RIGHT) / (not_sure @ (yes + no) + _ANSWERS)
        shares = (sure @ member + _SHARE) / (size + _SHARES)
        there = np.log(shares) @ member.T + np.log(se) @ yes.T + np.log1p(-se) @ no.T
        absent = np.log1p(-shares) @ member.T + np.log1p(-sp) @ yes.T + np.log(sp) @ no.T
        truth = expit(there - absent)
    return shares, se, sp, truth
