"""Cluster intervals: the bootstrap against full enumeration, and what must never happen."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.stats.intervals import poisson_interval
from pipeline.stats.rates import (
    Spread,
    effective_clusters,
    pooled_spread,
    rate_interval,
    resampled_rates,
    resampling_weights,
    small_sample_warning,
    spread_moments,
    spread_of_moments,
    wider,
)


def all_resamples(clusters):
    draws = list(product(range(clusters), repeat=clusters))
    return np.array([np.bincount(draw, minlength=clusters) for draw in draws])


def test_bootstrap_of_three_equal_sides_is_the_enumerated_one():
    # Three recordings of 10 minutes with 2, 6 and 10 slides: 27 resamples, worked by enumeration.
    counts, exposures = np.array([2.0, 6.0, 10.0]), np.array([10.0, 10.0, 10.0])
    rates = resampled_rates(counts, exposures, all_resamples(3))
    assert rates.mean() == pytest.approx(0.6)
    assert rates.std() == pytest.approx(0.18856, abs=5e-6)
    values, times = np.unique(rates.round(4), return_counts=True)
    assert dict(zip(values.tolist(), times.tolist(), strict=True)) == {
        0.2: 1, 0.3333: 3, 0.4667: 6, 0.6: 7, 0.7333: 6, 0.8667: 3, 1.0: 1,
    }  # fmt: skip
    # Taking slides as independent gives too small an error: sqrt(18) / 30.
    assert np.sqrt(counts.sum()) / exposures.sum() == pytest.approx(0.14142, abs=5e-6)


def test_rate_is_the_ratio_of_sums_with_unequal_exposures():
    # 2, 6 and 10 slides in 4, 5 and 3 minutes; the mean of the three rates, 1.678, is another thing.
    counts, exposures = np.array([2.0, 6.0, 10.0]), np.array([4.0, 5.0, 3.0])
    made = rate_interval(counts, exposures, seed=(1,))
    assert made is not None
    assert made.estimate == pytest.approx(1.5)
    assert (counts / exposures).mean() == pytest.approx(1.678, abs=5e-4)
    rates = resampled_rates(counts, exposures, all_resamples(3))
    assert (rates.mean(), rates.std()) == (pytest.approx(1.5529, abs=5e-5), pytest.approx(0.6296, abs=5e-5))
    assert (rates.min(), rates.max()) == (0.5, pytest.approx(3.333, abs=5e-4))


def test_drawn_weights_have_the_enumerated_distribution():
    counts, exposures = np.array([2.0, 6.0, 10.0]), np.array([4.0, 5.0, 3.0])
    weights = resampling_weights(3, seed=(7,), replicates=40_000)
    assert (weights.sum(axis=1) == 3).all()
    rates = resampled_rates(counts, exposures, weights)
    # Four standard errors of 40,000 draws.
    assert rates.mean() == pytest.approx(1.5529, abs=4 * 0.6296 / 200)
    assert rates.std() == pytest.approx(0.6296, abs=0.012)


def test_clusters_without_slides_count_and_clusters_without_exposure_do_not():
    with_zero = rate_interval([4, 0, 5], [1, 1, 1], seed=(1,))
    without = rate_interval([4, 0, 5, 9], [1, 1, 1, 0], seed=(1,))
    assert with_zero is not None
    assert with_zero.estimate == 3.0
    assert with_zero == without


def test_no_exposure_gives_no_rate():
    assert rate_interval([], [], seed=(1,)) is None
    assert rate_interval([0, 0], [0, 0], seed=(1,)) is None


def test_no_slides_give_zero_with_an_upper_limit():
    made = rate_interval([0] * 12, [1] * 12, seed=(1,))
    assert made is not None
    assert (made.estimate, made.low) == (0, 0)
    # 3.689 by chance alone; a guessed variance of 0.5 over 12 clusters adds a tenth.
    assert (made.poisson_high, made.high) == (pytest.approx(3.689 / 12, abs=1e-4), pytest.approx(0.332, abs=1e-3))


def test_one_cluster_borrows_the_spread_of_the_corpus():
    naive = poisson_interval(8, exposure=4)
    alike, unlike = (rate_interval([8], [4], seed=(1,), pooled=Spread(v, 1e9)) for v in (1e-9, 0.25))
    alone = rate_interval([8], [4], seed=(1,))
    assert alike is not None
    assert unlike is not None
    assert alone is not None
    assert (alike.low, alike.high) == (pytest.approx(naive.low), pytest.approx(naive.high))
    assert alone.low < unlike.low < alike.low < alike.high < unlike.high < alone.high
    # Four gamma shapes' worth; scipy's negative binomial, with its own way of naming them, is the second opinion.
    for limit, tail in ((unlike.high, stats.nbinom.cdf), (unlike.low, lambda n, r, p: stats.nbinom.sf(n - 1, r, p))):
        assert tail(8, 4, 4 / (4 + 4 * limit)) == pytest.approx(0.025, rel=1e-6)


@pytest.mark.parametrize(
    ("counts", "exposures"), [([18, 0], [50, 50]), ([0, 18], [100, 1]), ([18], [100]), ([2, 1, 30], [9, 4, 8])]
)
def test_few_clusters_widen_within_reason(counts, exposures):
    made = rate_interval(counts, exposures, seed=(1,))
    assert made is not None
    assert 2 * made.estimate < made.high < 15 * made.estimate
    assert made.estimate / 15 < made.low < made.estimate / 2


def test_no_limit_beyond_what_is_possible():
    made = rate_interval([18, 0], [50, 50], seed=(1,), most=1.0)
    above = rate_interval([30, 60], [40, 40], seed=(1,), most=1.0)
    assert made is not None
    assert above is not None
    assert made.high == 1.0
    assert above.low < 1.0 < above.estimate < above.high


def test_the_wider_of_two_spreads_is_the_one_with_wider_limits():
    # Much spread of which one degree tells weighs less, beside the guess, than a little more than the guess of eight.
    few, many = Spread(1.2, 1), Spread(0.8, 8)
    highs = {known: rate_interval([9], [3], seed=(1,), pooled=known).high for known in (few, many)}
    assert wider(few, many) == wider(many, few) == max(highs, key=highs.__getitem__)


def test_spread_between_clusters_by_hand():
    # 2, 6, 10 where 6 are expected: chi2 of 32 / 6, less 2 degrees, over 18 (1 - 1/3), then times 1 + v / 3.
    first = (32 / 6 - 2) / 12
    assert pooled_spread([([2, 6, 10], [1, 1, 1])]) == Spread(pytest.approx(first * (1 + first / 3)), 2)
    first = (32 / 6 - 3) / (12 + 5)
    second = (32 / 6 - 3) / (12 / (1 + first / 3) + 5 / (1 + first / 2))
    both = pooled_spread([([2, 6, 10], [1, 1, 1]), ([5, 5], [2, 2]), ([3], [1]), ([0, 0], [1, 1])])
    assert both == Spread(pytest.approx(second), 3)
    assert pooled_spread([([5, 5, 5], [1, 1, 1])]) == Spread(0.0, 2)
    assert pooled_spread([]) == Spread(0.0, 0.0)


def test_one_slide_in_the_shorter_of_two_takes_tells_no_boundless_spread():
    assert pooled_spread([([1, 0], [41, 547])]) == Spread(0.0, 0.0)
    pooled = pooled_spread([([2, 0], [41, 547])])
    assert pooled == Spread(2.0, 1)
    rate = rate_interval([0], [9], seed=(1,), pooled=pooled)
    assert 1 / 9 < rate.high < 10
    a_thousand = pooled_spread([([1000] + [0] * 999, [0.01] + [1.0] * 999)])
    assert np.isfinite(rate_interval([0], [9], seed=(1,), pooled=a_thousand).high)


def test_spread_of_groups_drawn_again_is_that_of_groups_repeated():
    groups = [([2, 6, 10], [1, 1, 1]), ([5, 9], [2, 2]), ([3], [1]), ([1, 8, 2], [1, 2, 1])]
    drawn = np.array([[2.0, 1], [0, 1], [1, 1], [3, 0]])
    again = [
        [group for group, often in zip(groups, column, strict=True) for _ in range(int(often))] for column in drawn.T
    ]
    assert spread_of_moments(spread_moments(groups), drawn) == pytest.approx([pooled_spread(x).variance for x in again])


def test_spread_is_found_again_in_made_counts():
    rng = np.random.default_rng(11)
    groups = []
    for _ in range(2000):
        exposures = rng.uniform(1, 9, 4)
        groups.append((rng.poisson(2 * exposures * rng.gamma(1 / 0.3, 0.3, 4)), exposures))
    assert pooled_spread(groups).variance == pytest.approx(0.3, rel=0.06)


def test_same_seed_same_limits_and_other_seed_others():
    counts, exposures = np.arange(1, 16), np.linspace(1, 3, 15)
    first, second = (rate_interval(counts, exposures, seed=(5, 9)) for _ in range(2))
    other = rate_interval(counts, exposures, seed=(5, 10))
    assert first == second
    assert first is not None
    assert other is not None
    assert first.low != other.low


def test_effective_clusters():
    assert effective_clusters([2, 2, 2, 2]) == pytest.approx(4)
    assert effective_clusters([9, 1]) == pytest.approx(100 / 82)
    assert effective_clusters([]) == 0


@pytest.mark.parametrize(
    ("clusters", "effective", "count", "said"),
    [
        (1, 1, 20, "rough interval: 1 of the 10 sessions that a sure one needs"),
        (9, 8, 20, "rough interval: 9 of the 10 sessions that a sure one needs"),
        (30, 3, 20, "most of the music comes from few sessions"),
        (30, 25, 4, "4 of the 5 slides that a rate needs"),
        (30, 25, 0, None),
        (30, 25, 20, None),
    ],
)
def test_small_samples_are_flagged(clusters, effective, count, said):
    assert small_sample_warning(unit="session", clusters=clusters, effective=effective, count=count) == said


def test_a_guessed_spread_is_said():
    said = small_sample_warning(unit="session", clusters=2, effective=2, count=20, learned_from=1)
    assert said == (
        "rough interval: 2 of the 10 sessions that a sure one needs; spread between sessions guessed: 1 of the 3 "
        "further sessions that learning it from slides needs"
    )
    assert small_sample_warning(unit="session", clusters=12, effective=9, count=20, learned_from=1) is None


clusters = st.lists(st.tuples(st.integers(0, 30), st.floats(0.5, 20)), min_size=2, max_size=25)


@settings(max_examples=60, deadline=None)
@given(clusters)
def test_limits_enclose_the_rate_and_few_clusters_are_no_narrower_than_chance(rows):
    counts, exposures = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    made = rate_interval(counts, exposures, seed=(3,), replicates=400)
    assert made is not None
    assert 0 <= made.low <= made.estimate <= made.high
    if len(rows) < 10:
        assert made.low <= made.poisson_low
        assert made.high >= made.poisson_high


@settings(max_examples=40, deadline=None)
@given(clusters, st.floats(0.25, 4))
def test_another_speed_changes_rates_per_minute_by_its_ratio(rows, ratio):
    # True speed over transfer speed: times are divided by it, counts stay.
    counts, exposures = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    before = rate_interval(counts, exposures, seed=(3,), replicates=300)
    after = rate_interval(counts, exposures / ratio, seed=(3,), replicates=300)
    assert before is not None
    assert after is not None
    for name in ("estimate", "low", "high", "poisson_low", "poisson_high"):
        assert getattr(after, name) == pytest.approx(ratio * getattr(before, name), rel=1e-9, abs=1e-12)
