"""Chances of slides brought home to a corpus of another mix."""

import numpy as np
import pytest
from scipy import special

from pipeline.stats.recalibration import chosen, prior_shift


def candidates(rng, *, share, slope=1.0, size=20_000):
    """Logits of candidates whose chances are right where 27 % are slides."""
    is_slide = rng.random(size) < share
    at = np.where(is_slide, rng.normal(1.5, 1.5, size), rng.normal(-1.5, 1.5, size))
    learnt = special.logit(0.27) + at * 3 / 1.5**2
    return special.expit(learnt / slope), is_slide, special.expit(special.logit(share) + at * 3 / 1.5**2)


@pytest.mark.parametrize("share", [0.03, 0.08, 0.27, 0.6])
def test_the_share_of_slides_is_found_without_verdicts(share):
    chances, is_slide, true = candidates(np.random.default_rng(1), share=share)
    made = prior_shift(chances, learnt_share=0.27)
    assert made.share == pytest.approx(is_slide.mean(), abs=0.006)
    assert np.abs(made(chances) - true).mean() < 0.006


def test_nothing_is_used_but_what_pays_on_enough_verdicts():
    rng = np.random.default_rng(2)

    def used(count, **how):
        chances, is_slide, true = candidates(rng, **how)
        made = chosen(chances, chances[:count], is_slide[:count], learnt_share=0.27, seed=(1,))
        before, after = (np.abs(x - true).mean() for x in (chances, made.recalibration(chances)))
        return made, before, after

    few, before, after = used(99, share=0.03, slope=2.0)
    assert (few.used, before) == ("as learnt", after)
    rarer, before, after = used(400, share=0.05)
    assert rarer.used.startswith("shift")
    assert after < 0.2 * before
    assert rarer.loss_after < rarer.loss_before
    steeper, before, after = used(400, share=0.27, slope=2.0)
    assert steeper.used == "shift and line"
    assert after < 0.6 * before
    with pytest.raises(ValueError, match="between 0 and 1"):
        prior_shift([0.5], learnt_share=0.0)


def test_a_shift_that_verdicts_contradict_is_not_used():
    # Candidates look rarer than learnt, but what is judged is just as often a slide as was stated.
    rng = np.random.default_rng(3)
    chances = rng.beta(0.3, 3, 5000)
    is_slide = rng.random(5000) < chances
    assert prior_shift(chances, learnt_share=0.5).shift < -1
    made = chosen(chances, chances[:600], is_slide[:600], learnt_share=0.5, seed=(1,))
    assert np.abs(made.recalibration(chances) - chances).mean() < 0.02
