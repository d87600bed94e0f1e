"""Weighted quantiles: plain ones where weights are equal, and moved by weights alone where they are not."""

import numpy as np

from pipeline.stats.quantiles import weighted_quantiles


def test_equal_weights_give_the_quantiles_of_numpy():
    rng = np.random.default_rng(1)
    values, of = rng.lognormal(5, 1, 400), rng.integers(0, 20, 400)
    made = weighted_quantiles(values, np.full(400, 0.3), of, groups=21)
    plain = [np.quantile(values[of == group], [0.25, 0.5, 0.75]) for group in range(20)]
    np.testing.assert_allclose(made[:20], plain, rtol=1e-9)
    assert np.isnan(made[20]).all()


def test_items_of_no_weight_do_not_count_and_the_unit_of_weights_does_not_matter():
    rng = np.random.default_rng(2)
    values, weights, one = rng.normal(size=50), rng.uniform(size=50), np.zeros(50, dtype=int)
    weights[:20] = 0
    whole = weighted_quantiles(values, weights, one, groups=1)
    np.testing.assert_allclose(weighted_quantiles(values[20:], 7 * weights[20:], one[20:], groups=1), whole)
    np.testing.assert_allclose(weighted_quantiles(-values, weights, one, groups=1), -whole[:, ::-1])


def test_what_was_mostly_missed_moves_quartiles_to_where_it_lies():
    # Of 500 short and 500 long ones a fifth of the short are found.
    rng = np.random.default_rng(3)
    true = np.concatenate([rng.normal(60, 5, 500), rng.normal(200, 20, 500)])
    chance = np.where(true < 120, 0.2, 1.0)
    found = rng.random(1000) < chance
    made = weighted_quantiles(true[found], 1 / chance[found], np.zeros(found.sum(), dtype=int), groups=1)[0]
    low, _, high = np.quantile(true, [0.25, 0.5, 0.75])
    assert np.quantile(true[found], 0.25) > 150
    assert abs(made[0] - low) < 4
    assert abs(made[2] - high) < 6
