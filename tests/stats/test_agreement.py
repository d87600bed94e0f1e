"""Error rates from listening, and rates that carry them."""

import numpy as np
import pytest

from pipeline.stats.agreement import (
    Judged,
    calibration,
    calibration_error,
    clustered_share,
    error_rates,
    krippendorffs_alpha,
    majority,
    stratum_share,
)
from pipeline.stats.intervals import Interval, poisson_interval, product_of, wilson_interval


def test_majority_and_ties():
    assert majority(["slide", "slide", "no_slide"]) == "slide"
    assert majority(["slide", "no_slide"]) == "cannot_tell"
    assert majority(["slide", "slide", "no_slide", "no_slide", "cannot_tell"]) == "cannot_tell"
    assert majority([]) == "cannot_tell"


def test_alpha_needs_two_verdicts_and_two_kinds_of_them():
    assert np.isnan(krippendorffs_alpha([["a", None], [None, "b"]]))
    assert np.isnan(krippendorffs_alpha([["a", "a"], ["a", "a"]]))
    assert krippendorffs_alpha([["a", "b", "a"], ["a", "b", "a"]]) == 1


def test_error_rates_by_hand():
    # 90 of 100 finds judged right out of 1000; 5 of 200 non-finds are slides out of 4000: 900 found, 100 missed.
    made = error_rates([Judged(90, 100, 1000)], [Judged(5, 200, 4000)], seed=(1,))
    assert made.precision.estimate == pytest.approx(0.9)
    assert made.recall.estimate == pytest.approx(0.9)
    assert made.true_per_find.estimate == pytest.approx(1.0)
    assert made.precision.low < 0.9 < made.precision.high
    # What was judged whole is known exactly; of finds on other such sides nine of ten say no more than Wilson's limits.
    whole = error_rates([Judged(9, 10, 10)], [Judged(1, 30, 30)], seed=(1,))
    assert (whole.recall.low, whole.recall.high) == (0.9, 0.9)
    assert (whole.true_per_find.low, whole.true_per_find.high) == (1.0, 1.0)
    assert whole.precision == wilson_interval(9, trials=10)


def test_strata_count_by_what_they_stand_for():
    # A small stratum drawn heavily must not outweigh a large one: 0.5 of 100 and 1.0 of 900 finds.
    made = error_rates([Judged(50, 100, 100), Judged(20, 20, 900)], [], seed=(1,))
    assert made.precision.estimate == pytest.approx(0.95)
    # A stratum nobody listened to is taken for the mean of the others.
    unheard = error_rates([Judged(50, 100, 100), Judged(0, 0, 100)], [], seed=(1,))
    assert unheard.precision.estimate == pytest.approx(0.5)
    with pytest.raises(ValueError, match="glideline listen"):
        error_rates([Judged(0, 0, 10)], [Judged(1, 2, 10)], seed=(1,))


def test_shares_by_stratum():
    assert stratum_share(Judged(7, 10, 50)) == wilson_interval(7, trials=10)
    assert np.isnan(stratum_share(Judged(0, 0, 50)).estimate)
    # Sides that are all right or all wrong leave more doubt than as many single items.
    lumped = clustered_share([10, 0, 10, 0, 10, 0, 10, 0, 10, 0, 10, 0], [10] * 12, seed=(1,))
    even = clustered_share([5] * 12, [10] * 12, seed=(1,))
    assert lumped.high - lumped.low > 2 * (even.high - even.low)
    assert even == pytest.approx(wilson_interval(60, trials=120), abs=0.02) or even.estimate == 0.5
    assert 0 <= lumped.low < 0.5 < lumped.high <= 1
    assert np.isnan(clustered_share([], [], seed=(1,)).estimate)


def test_corrected_rate_of_nothing_stays_possible():
    errors = error_rates([Judged(9, 10, 100)], [Judged(2, 50, 500)], seed=(1,))
    made = product_of(poisson_interval(0, exposure=4), errors.true_per_find)
    assert (made.estimate, made.low) == (0, 0)
    assert made.high > 0
    assert product_of(Interval(2, 1, 4), errors.true_per_find).estimate == pytest.approx(
        2 * errors.true_per_find.estimate
    )


@pytest.mark.slow
def test_corrected_rates_cover_the_planted_truth():
    # Planted: 3 slides a minute; we find 80 % of them and 15 % of our finds are none.
    rng = np.random.default_rng(4)
    trials, held, uncorrected = 1000, 0, 0
    for trial in range(trials):
        minutes = 120.0
        slides = rng.poisson(3.0 * minutes)
        found = rng.binomial(slides, 0.8)
        false = rng.poisson(found * 0.15 / 0.85)
        finds, others = found + false, 2000
        missed = slides - found
        drawn, drawn_others = 120, 300
        errors = error_rates(
            [Judged(int(rng.hypergeometric(found, false, drawn)), drawn, finds)],
            [Judged(int(rng.hypergeometric(missed, others - missed, drawn_others)), drawn_others, others)],
            seed=(trial,),
            replicates=400,
        )
        made = product_of(poisson_interval(finds, exposure=minutes), errors.true_per_find)
        held += made.low <= 3.0 <= made.high
        naive = poisson_interval(finds, exposure=minutes)
        uncorrected += naive.low <= 3.0 <= naive.high
    assert 0.92 <= held / trials <= 0.985
    assert uncorrected / trials < 0.9


@pytest.mark.parametrize(
    ("strata", "drawn", "size", "shares"),
    [
        (30, 2, 8, lambda rng: np.full(30, 0.9)),
        (30, 2, 8, lambda rng: np.where(rng.random(30) < 0.8, 0.98, 0.3)),
        (3, 40, 200, lambda rng: np.array([0.95, 0.8, 0.6])),
        (8, 5, 100, lambda rng: rng.beta(0.5, 10, 8)),
        (1, 50, 500, lambda rng: np.array([0.05])),
    ],
)
def test_precision_covers_the_planted_share_however_many_strata(strata, drawn, size, shares):
    rng = np.random.default_rng(8)
    trials, held = 300, 0
    for trial in range(trials):
        slides = rng.binomial(size, shares(rng))
        heard = rng.hypergeometric(slides, size - slides, drawn)
        judged = [Judged(int(h), drawn, size) for h in heard]
        made = error_rates(judged, [], seed=(trial,), replicates=300).precision
        held += made.low <= slides.sum() / (size * strata) <= made.high
    assert held / trials >= 0.92


def test_calibration_of_honest_and_of_boastful_confidence():
    rng = np.random.default_rng(2)
    honest = rng.uniform(0.5, 1, 4000)
    heard = rng.random(4000) < honest
    bins = calibration(honest, heard, bins=5)
    assert [each.judged for each in bins] == [800] * 5
    assert all(each.observed.low - 0.02 <= each.mean_confidence <= each.observed.high + 0.02 for each in bins)
    assert calibration_error(honest, heard) < 0.03
    assert calibration_error(np.full(4000, 0.99), heard) == pytest.approx(0.24, abs=0.02)
    assert np.isnan(calibration_error([], []))
