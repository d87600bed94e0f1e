"""Chances of slides brought home to a corpus of another mix."""

import numpy as np
import pytest
from scipy import special

from pipeline.stats.recalibration import prior_shift, with_verdicts


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


def test_a_wrong_slope_is_mended_by_verdicts_and_a_right_one_left():
    rng = np.random.default_rng(2)
    chances, is_slide, true = candidates(rng, share=0.27, slope=2.0)
    shifted = prior_shift(chances, learnt_share=0.27)
    assert with_verdicts(shifted, chances[:60], is_slide[:60], seed=(1,)) == shifted
    mended = with_verdicts(shifted, chances[:400], is_slide[:400], seed=(1,))
    assert np.abs(mended(chances) - true).mean() < 0.6 * np.abs(shifted(chances) - true).mean()
    with pytest.raises(ValueError, match="between 0 and 1"):
        prior_shift(chances, learnt_share=0.0)
