"""Listeners without a referee, the error of finding in rates, and chances brought home to a corpus."""

import numpy as np
import pytest
from scipy import special, stats

from pipeline.stats.detection import Judgements, corrected, group_factor, merged_strata, true_slides_per_find
from pipeline.stats.intervals import Interval
from pipeline.stats.latent_class import Answers, latent_class
from pipeline.stats.recalibration import prior_shift, with_verdicts
from pipeline.stats.reliability import over_items


def answers(rng, *, hears, imagines, finds=200, changes=400, precise=0.95, missed=0.02, listeners=2):
    truth = np.r_[rng.random(finds) < precise, rng.random(changes) < missed]
    heard = np.where(
        truth[:, None], rng.random((truth.size, listeners)) < hears, rng.random((truth.size, listeners)) < imagines
    )
    groups = np.r_[np.zeros(finds, dtype=int), np.ones(changes, dtype=int)]
    return Answers(heard.astype(float), groups, rng.integers(0, 20, truth.size)), truth


def test_perfect_listeners_are_believed():
    given, truth = answers(np.random.default_rng(1), hears=1.0, imagines=0.0)
    made = latent_class(given, seed=(1,), replicates=50)
    assert made.shares == pytest.approx([truth[:200].mean(), truth[200:].mean()], abs=0.004)
    assert ((made.truth > 0.5) == truth).all()
    assert made.drawn.shape == (50, 2)
    assert (made.drawn.std(axis=0) > 0).all()


def test_two_imperfect_listeners_find_the_shares_that_one_overstates():
    one, two = [], []
    for seed in range(40):
        given, truth = answers(np.random.default_rng([2, seed]), hears=0.9, imagines=0.03)
        per_find = truth[:200].mean() + 20 * truth[200:].mean()
        made = latent_class(given, seed=(1,), replicates=2)
        two.append((made.shares[0] + 20 * made.shares[1]) / per_find)
        one.append((given.heard[:200, 0].mean() + 20 * given.heard[200:, 0].mean()) / per_find)
    assert np.median(one) > 1.25
    assert np.median(two) == pytest.approx(1.0, abs=0.06)


def test_cannot_tell_leaves_the_other_answers():
    given, truth = answers(np.random.default_rng(3), hears=0.95, imagines=0.02)
    gaps = given.heard.copy()
    gaps[::7, 1] = np.nan
    made = latent_class(Answers(gaps, given.groups, given.sides), seed=(1,), replicates=2)
    assert made.shares == pytest.approx([truth[:200].mean(), truth[200:].mean()], abs=0.03)
    gaps[:, 1] = np.nan
    assert latent_class(Answers(gaps, given.groups, given.sides), seed=(1,)) is None


def judged(rng, *, miss=(-4.5, -6.0), per_stratum=400):
    """Two strata of 600 finds and 4,000 changes whose scores are logits less a constant."""
    finds, right = np.array([600.0, 600.0]), np.array([0.9, 0.97])
    scores = rng.normal(0, 1.5, (2, 4000))
    is_slide = rng.random((2, 4000)) < special.expit(np.array(miss)[:, None] + scores)
    truth = right + is_slide.sum(axis=1) / finds
    draw = [rng.choice(4000, per_stratum, replace=False) for _ in range(2)]
    hits = rng.binomial(120, right)
    return (
        Judgements(
            finds=finds,
            judged_finds=np.array([120.0, 120.0]),
            true_finds=hits.astype(float),
            strata=np.repeat([0, 1], per_stratum),
            scores=np.concatenate([scores[k][draw[k]] for k in range(2)]),
            is_slide=np.concatenate([is_slide[k][draw[k]] for k in range(2)]).astype(float),
            all_strata=np.repeat([0, 1], 4000),
            all_scores=scores.ravel(),
            changes=np.ones(8000),
        ),
        truth,
    )


def test_draws_of_true_slides_per_find_hold_the_truth():
    held = []
    for seed in range(60):
        given, truth = judged(np.random.default_rng([4, seed]))
        low, high = np.quantile(true_slides_per_find(given, seed=(seed,)), [0.025, 0.975], axis=0)
        held += list((low <= truth) & (truth <= high))
    # Three standard errors of 120 below .95.
    assert np.mean(held) >= 0.89


def test_where_nothing_can_be_missed_the_draws_are_jeffreys_posterior():
    given = Judgements(
        finds=np.array([1000.0]),
        judged_finds=np.array([60.0]),
        true_finds=np.array([51.0]),
        strata=np.empty(0, dtype=int),
        scores=np.empty(0),
        is_slide=np.empty(0),
        all_strata=np.empty(0, dtype=int),
        all_scores=np.empty(0),
        changes=np.empty(0),
    )
    drawn = true_slides_per_find(given, seed=(1,), replicates=20_000)[:, 0]
    # Brown, Cai and DasGupta 2001: beta(x + 1/2, n - x + 1/2).
    assert np.quantile(drawn, [0.025, 0.5, 0.975]) == pytest.approx(
        stats.beta(51.5, 9.5).ppf([0.025, 0.5, 0.975]), abs=0.003
    )


def test_small_strata_merge_upwards():
    keys = [
        ("acoustic", "piano", "noisy"),
        ("acoustic", "piano", "quiet"),
        ("acoustic", "none", "quiet"),
        ("electrical", "none", "quiet"),
    ]
    # By hand: a stratum splits only into parts of thirty finds at least.
    assert merged_strata(keys, [40, 10, 5, 4]) == [()] * 4
    assert merged_strata(keys, [40, 10, 5, 60]) == [("acoustic",)] * 3 + [keys[3]]
    assert merged_strata(keys, [40, 30, 30, 60]) == [keys[0], keys[1], keys[2], keys[3]]


def test_the_same_error_in_both_groups_cancels_in_their_ratio():
    factors = np.random.default_rng(1).lognormal(0.2, 0.3, (4000, 2))
    one, twice, other = (group_factor(finds, factors) for finds in ([30, 10], [60, 20], [0, 5]))
    ratio = Interval(1.5, 1.0, 2.25)
    same = corrected(ratio, one / twice)
    assert (same.estimate, same.low, same.high) == pytest.approx((1.5, 1.0, 2.25))
    assert other == pytest.approx(factors[:, 1])
    # By hand: log limits .405 from the ratio and 1.96 x .3 from the factor, in squares.
    apart = corrected(ratio, other)
    assert apart.estimate == pytest.approx(1.5 * np.exp(0.2), rel=0.02)
    assert np.log(apart.high / apart.estimate) == pytest.approx(np.hypot(np.log(1.5), 1.96 * 0.3), rel=0.05)


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


def test_limits_of_a_mean_over_items_as_scipys_bootstrap():
    values = np.random.default_rng(3).gamma(2, size=80)
    made = over_items(lambda taken: float(values[taken].mean()), 80, seed=(1,), replicates=4000)
    other = stats.bootstrap((values,), np.mean, method="percentile", n_resamples=4000, rng=np.random.default_rng(1))
    assert (made.low, made.high) == pytest.approx(tuple(other.confidence_interval), abs=0.03)
