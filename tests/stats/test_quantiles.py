"""Weighted quantiles: plain ones where weights are equal, and moved by weights alone where they are not."""

import numpy as np

from pipeline.stats.quantiles import Members, Ordered


def weighted_quantiles(values, weights, of, *, groups):
    return Ordered(values, of, groups).weighed(weights).quantiles(Members.alone(groups))


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


def test_groups_of_several_cells_are_as_if_their_items_lay_together():
    rng = np.random.default_rng(4)
    values, cell, weights = rng.lognormal(5, 1, 6000).round(), rng.integers(0, 40, 6000), rng.uniform(size=6000)
    values[::50] = np.nan
    ordered = Ordered(values, cell, 40)
    # Cells lie in several groups, and count for more in the second than in the first.
    groups = [np.arange(40), np.arange(10), np.array([7])]
    members = Members(
        np.repeat(np.arange(3), [40, 10, 1]), np.concatenate(groups), np.repeat([1.0, 0.3, 2.0], [40, 10, 1]), 3
    )
    for each in (weights, np.ones(6000)):
        made = ordered.weighed(each).quantiles(members)
        for own, quartiles in zip(groups, made, strict=True):
            lies = np.isin(cell, own) & ~np.isnan(values)
            at = np.zeros(lies.sum(), dtype=int)
            np.testing.assert_allclose(quartiles, weighted_quantiles(values[lies], each[lies], at, groups=1)[0])
    np.testing.assert_allclose(made[0], np.nanquantile(values, [0.25, 0.5, 0.75]))
