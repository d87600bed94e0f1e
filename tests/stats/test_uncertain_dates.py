"""Rates of periods with uncertain dates."""

from itertools import product

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.uncertain_dates import Takes, drawn_rates, rate_bounds, ratio_bounds


def takes_of(shares, *, counts=None, exposures=None, players=None, rng=None):
    rng = rng or np.random.default_rng(2)
    size = len(shares)
    return Takes(
        np.asarray(counts if counts is not None else rng.poisson(20, size), dtype=float),
        np.asarray(exposures if exposures is not None else rng.gamma(4, 1, size), dtype=float),
        np.asarray(players if players is not None else np.arange(size) % 5),
        np.asarray(shares, dtype=float),
    )


def test_certain_dates_give_plain_ratios_of_sums():
    shares = np.eye(3)[np.random.default_rng(1).integers(0, 3, 40)]
    takes = takes_of(shares)
    made = drawn_rates(takes, seed=(1,))
    plain = (shares.T @ takes.counts) / (shares.T @ takes.exposures)
    assert made.rates == pytest.approx(plain)
    assert (made.low < plain).all()
    assert (plain < made.high).all()
    ratio = made.ratio(0, 1)
    assert ratio.estimate == pytest.approx(plain[0] / plain[1])
    assert ratio_bounds(takes, 0, 1).least == pytest.approx(plain[0] / plain[1])


def test_an_uncertain_take_goes_where_its_count_fits():
    # Ten slides a minute in the first period, one in the second; a take of each rate whose date is not known.
    shares = [(1, 0)] * 10 + [(0, 1)] * 10 + [(0.5, 0.5)] * 2
    counts, exposures = [100] * 10 + [10] * 10 + [100, 10], np.full(22, 10.0)
    made = drawn_rates(takes_of(shares, counts=counts, exposures=exposures, players=np.arange(22) % 5), seed=(1,))
    assert made.rates == pytest.approx([10, 1], rel=0.01)
    # Shared out by halves they would give 10.0 and 1.4.


def test_shares_are_a_belief_about_which_the_counts_tell_more():
    # Twenty slides a minute in the first period, ten in the second; nine in ten takes shared by halves are early.
    def slides(rate, takes):
        return stats.poisson.ppf((np.arange(takes) + 0.5) / takes, rate)

    shares = [(1, 0)] * 150 + [(0, 1)] * 150 + [(0.5, 0.5)] * 600
    counts = np.concatenate([slides(20, 150), slides(10, 150), slides(20, 540), slides(10, 60)])
    takes = takes_of(shares, counts=counts, exposures=np.ones(900), players=np.arange(900) % 91)
    assert drawn_rates(takes, seed=(1,), replicates=20).ratio(0, 1).estimate == pytest.approx(2, rel=0.03)


def test_a_period_without_certain_takes_has_no_rate():
    made = drawn_rates(takes_of([(1, 0)] * 12 + [(0.5, 0.5)] * 4), seed=(1,))
    assert np.isfinite(made.rates[0])
    assert np.isnan(made.rates[1])


def test_same_seed_same_limits():
    takes = takes_of([(1, 0), (0, 1), (0.3, 0.7)] * 8)
    one, other = (drawn_rates(takes, seed=(4,)) for _ in range(2))
    assert (one.low == other.low).all()
    assert (one.high == other.high).all()


@pytest.mark.parametrize("seed", range(6))
def test_bounds_are_those_of_all_assignments(seed):
    rng = np.random.default_rng(seed)
    shares = np.array(
        [(1, 0, 0), (0, 1, 0), (0.5, 0.5, 0), (0.5, 0.5, 0), (0.2, 0.3, 0.5), (0.6, 0, 0.4), (0, 0.4, 0.6)]
    )
    takes = takes_of(shares, counts=rng.integers(1, 30, 7), exposures=rng.gamma(3, 1, 7))
    rates, ratios = [], []
    for places in product(*(np.flatnonzero(row) for row in shares)):
        at = np.eye(3)[list(places)]
        rate = (at.T @ takes.counts)[:2] / (at.T @ takes.exposures)[:2]
        rates.append(rate)
        ratios.append(rate[0] / rate[1])
    for period in (0, 1):
        made = rate_bounds(takes, period)
        assert (made.least, made.most) == pytest.approx((min(r[period] for r in rates), max(r[period] for r in rates)))
    made = ratio_bounds(takes, 0, 1)
    assert (made.least, made.most) == pytest.approx((min(ratios), max(ratios)))


def test_no_player_or_no_slide_gives_no_rate():
    assert drawn_rates(takes_of([(1, 0)] * 4, players=np.zeros(4, dtype=int)), seed=(1,)) is None
    assert drawn_rates(takes_of([(1, 0)] * 4, counts=np.zeros(4)), seed=(1,)) is None
    nowhere = rate_bounds(takes_of([(1, 0)] * 4), 1)
    assert np.isnan(nowhere.least)
    assert np.isnan(nowhere.most)
