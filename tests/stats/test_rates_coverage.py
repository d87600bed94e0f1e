"""How often stated 95 % intervals hold the truth, by simulation: players differ, exposures are unequal."""

import numpy as np
import pytest

from pipeline.stats.compare import compare_rates
from pipeline.stats.rates import rate_interval


def players(rng, *, number, between, spread, within=0.0):
    """Counts and exposures of players whose rates are gamma and exposures log-normal; the true rate is 3."""
    exposures = np.exp(rng.normal(2.0, spread, number))
    rates = 3.0 * rng.gamma(1 / between**2, between**2, number) if between else np.full(number, 3.0)
    if within:
        rates = rates * rng.gamma(1 / within**2, within**2, number)
    return rng.poisson(rates * exposures / 3).astype(float), exposures / 3


@pytest.mark.slow
@pytest.mark.parametrize("number", [15, 40])
@pytest.mark.parametrize(("between", "spread"), [(0.3, 0.6), (0.6, 0.8), (0.6, 1.0), (0.9, 0.6)])
def test_intervals_over_players_cover_as_stated(number, between, spread):
    rng = np.random.default_rng([number, int(100 * between), int(100 * spread)])
    trials, held, naive_held = 1500, 0, 0
    for trial in range(trials):
        counts, exposures = players(rng, number=number, between=between, spread=spread)
        made = rate_interval(counts, exposures, seed=(trial,), replicates=500)
        held += made.low <= 3.0 <= made.high
        naive_held += made.poisson_low <= 3.0 <= made.poisson_high
    # 1.5 % is three standard errors of 1500 trials.
    assert 0.92 <= held / trials <= 0.98
    assert naive_held / trials < 0.9


@pytest.mark.slow
@pytest.mark.parametrize("number", [2, 3, 5, 8])
@pytest.mark.parametrize("between", [0.5, 0.9])
def test_few_clusters_cover_no_less_and_are_no_narrower_than_chance(number, between):
    rng = np.random.default_rng([number, int(100 * between)])
    trials, held, narrower = 2000, 0, 0
    for trial in range(trials):
        counts, exposures = players(rng, number=number, between=between, spread=0.6)
        made = rate_interval(counts, exposures, seed=(trial,))
        held += made.low <= 3.0 <= made.high
        narrower += made.low > made.poisson_low or made.high < made.poisson_high
    # 1.2 % is two standard errors of 2000 trials.
    assert held / trials >= 0.92 - 0.012
    assert narrower == 0


@pytest.mark.slow
def test_ratio_of_two_groups_that_share_players_covers_as_stated():
    rng = np.random.default_rng(8)
    trials, held, differences = 600, 0, 0
    for trial in range(trials):
        number = 24
        level = rng.gamma(4, 0.25, number)
        first_time, second_time = np.exp(rng.normal(1.5, 0.6, (2, number)))
        first = rng.poisson(3.0 * level * first_time).astype(float)
        second = rng.poisson(2.0 * level * second_time).astype(float)
        groups = [
            (rate_interval(c, e, seed=(trial,), replicates=300), c, e)
            for c, e in ((first, first_time), (second, second_time))
        ]
        made = compare_rates(*groups, seed=(trial,), replicates=400)
        held += made.ratio.low <= 1.5 <= made.ratio.high
        differences += made.difference.low <= 1.0 <= made.difference.high
        assert made.shared_clusters == number
    assert 0.92 <= held / trials <= 0.98
    assert 0.91 <= differences / trials <= 0.98
