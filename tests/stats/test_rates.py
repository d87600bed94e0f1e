"""Cluster intervals: the bootstrap against full enumeration, and what must never happen."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.intervals import poisson_interval
from pipeline.stats.rates import (
    Overdispersion,
    effective_clusters,
    pooled_overdispersion,
    rate_interval,
    resampled_rates,
    resampling_weights,
    small_sample_warning,
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
    assert made.high == pytest.approx(3.689 / 12, abs=1e-4)


def test_one_cluster_borrows_the_spread_of_the_corpus():
    alone = rate_interval([8], [4], seed=(1,))
    bunched = rate_interval([8], [4], seed=(1,), pooled=Overdispersion(4.0, 100))
    unsure = rate_interval([8], [4], seed=(1,), pooled=Overdispersion(4.0, 5))
    assert alone is not None
    assert bunched is not None
    assert unsure is not None
    naive = poisson_interval(8, exposure=4)
    assert (alone.low, alone.high) == (naive.low, naive.high)
    assert unsure.low < bunched.low < alone.low < alone.high < bunched.high < unsure.high
    # A quarter of the slides in a quarter of the time, but for the t of 100 degrees.
    quarter = poisson_interval(2, exposure=1)
    assert bunched.high == pytest.approx(quarter.high, rel=0.03)


def test_same_seed_same_limits_and_other_seed_others():
    counts, exposures = np.arange(1, 16), np.linspace(1, 3, 15)
    first, second = (rate_interval(counts, exposures, seed=(5, 9)) for _ in range(2))
    other = rate_interval(counts, exposures, seed=(5, 10))
    assert first == second
    assert first is not None
    assert other is not None
    assert first.low != other.low


def test_pearson_overdispersion_by_hand():
    # Counts 2, 6, 10 with 6 expected of each: (16 + 0 + 16) / 6 over 2 degrees; a second group without spread.
    assert pooled_overdispersion([([2, 6, 10], [1, 1, 1])]) == Overdispersion(pytest.approx(32 / 6 / 2), 2)
    both = pooled_overdispersion([([2, 6, 10], [1, 1, 1]), ([5, 5], [2, 2])])
    assert both == Overdispersion(pytest.approx(32 / 6 / 3), 3)
    assert pooled_overdispersion([([3], [1]), ([0, 0], [1, 1])]) is None
    assert pooled_overdispersion([([5, 5, 5], [1, 1, 1])]) == Overdispersion(1.0, 2)


def test_effective_clusters():
    assert effective_clusters([2, 2, 2, 2]) == pytest.approx(4)
    assert effective_clusters([9, 1]) == pytest.approx(100 / 82)
    assert effective_clusters([]) == 0


@pytest.mark.parametrize(
    ("clusters", "effective", "count", "said"),
    [
        (1, 1, 20, "one session: its own spread between sessions is unknown"),
        (9, 8, 20, "only 9 sessions: rough interval"),
        (30, 3, 20, "most of the music comes from few sessions"),
        (30, 25, 4, "fewer than 5 slides"),
        (30, 25, 0, None),
        (30, 25, 20, None),
    ],
)
def test_small_samples_are_flagged(clusters, effective, count, said):
    assert small_sample_warning(unit="session", clusters=clusters, effective=effective, count=count) == said


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
