"""The error of finding slides, carried into rates."""

import numpy as np
import pytest
from scipy import special, stats

from pipeline.stats.detection import (
    Judgements,
    corrected,
    merged_strata,
    true_slides_per_find,
    with_drawn_truths,
)
from pipeline.stats.intervals import Interval


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


def test_what_is_not_known_of_verdicts_adds_to_the_variance():
    none = np.zeros(0)

    def given(truth):
        return Judgements(
            np.array([1000.0]), np.array([40.0]), np.array([truth.sum()]), none.astype(int), none, none,
            none.astype(int), none, none,
        )  # fmt: skip

    truths = (np.random.default_rng(3).random((100, 40)) < 0.5).astype(float)
    drawn = with_drawn_truths(given, truths, seed=(1,), replicates=4000)
    # The law of total variance, each part a Jeffreys posterior.
    parts = [stats.beta(hits + 0.5, 40.5 - hits) for hits in truths.sum(axis=1)]
    total = np.mean([part.var() for part in parts]) + np.var([part.mean() for part in parts])
    assert drawn.shape == (4000, 1)
    assert drawn.std() == pytest.approx(np.sqrt(total), rel=0.05)
    assert np.sqrt(total) > 1.3 * parts[0].std()


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


def test_the_error_of_finding_is_added_in_squares_and_nothing_where_it_is_the_same_in_both_groups():
    factor = np.random.default_rng(1).lognormal(0.2, 0.3, 4000)
    ratio = Interval(1.5, 1.0, 2.25)
    same = corrected(ratio, np.ones(4000))
    assert (same.estimate, same.low, same.high) == pytest.approx((1.5, 1.0, 2.25))
    # By hand: the mean of the lognormal factor is exp(.2 + .3^2 / 2); log limits .405 from the ratio, and 1.96 x .3
    # about the factor's median, in squares.
    apart = corrected(ratio, factor)
    assert apart.estimate == pytest.approx(1.5 * np.exp(0.245), rel=0.02)
    assert np.log(apart.high / apart.estimate) == pytest.approx(np.hypot(np.log(1.5), 1.96 * 0.3 - 0.045), rel=0.05)
    # Of two the estimate is the quotient of the means, and what is common to them cancels.
    assert corrected(ratio, 2 * factor, factor).estimate == pytest.approx(3.0)
    assert corrected(ratio, 2 * factor, factor).high == pytest.approx(4.5)
