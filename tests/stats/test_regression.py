"""Effects of birth, date and the like, with players as clusters."""

import numpy as np
import pytest

from pipeline.stats.regression import dated_regression, negative_binomial, regression


def world(rng, *, players=20, takes=8, span=0.0):
    """Takes whose rate falls by .3 on the logarithm each decade; dates known to spans of 2 x ``span`` decades."""
    of = np.repeat(np.arange(players), takes)
    born = rng.uniform(-2, 2, players)[of]
    recorded = born + rng.uniform(2, 6, of.size)
    half = np.where(rng.random(of.size) < 0.75, span, 0.0)
    # Spans are whole stretches of the calendar.
    middle = np.where(half > 0, np.floor(recorded / max(2 * span, 1)) * 2 * span + span, recorded)
    exposures = 4 * np.exp(0.6 * rng.normal(size=of.size))
    level = 3 * np.exp(0.5 * rng.normal(size=players))[of] * rng.gamma(11, 1 / 11, of.size)
    counts = rng.poisson(level * exposures * np.exp(-0.3 * (recorded - 3)))
    return counts, exposures, np.column_stack([born, middle]), half, [f"p{p:02d}" for p in of]


def test_dates_drawn_given_birth_and_count_keep_the_slope_that_middles_flatten() -> None:
    # Three takes in four are dated to twenty years, which reach beyond their players' years.
    slopes, held = [], []
    for seed in range(25):
        counts, exposures, terms, half, players = world(np.random.default_rng([1, seed]), span=1.0)
        given = {"names": ["born", "recorded"], "players": players}
        middles = regression(counts, exposures, terms, **given)[1].ratio
        drawn = dated_regression(counts, exposures, terms, **given, dated=1, half_spans=half, seed=(seed,))[1].ratio
        slopes.append(np.log([middles.estimate, drawn.estimate]))
        held.append(drawn.low <= np.exp(-0.3) <= drawn.high)
    # A slope has a standard error of some .05 here, the mean of 25 one of .01.
    middle, mean = np.mean(slopes, axis=0)
    assert middle > -0.26
    assert mean == pytest.approx(-0.3, abs=0.03)
    assert np.mean(held) >= 0.8


def test_certain_dates_need_no_draws() -> None:
    counts, exposures, terms, half, players = world(np.random.default_rng(5))
    given = {"names": ["born", "recorded"], "players": players}
    one = regression(counts, exposures, terms, **given)
    assert dated_regression(counts, exposures, terms, **given, dated=1, half_spans=half, seed=(1,)) == one
    assert one[1].ratio.low <= np.exp(-0.3) <= one[1].ratio.high


def test_fewer_than_eight_players_or_terms_alike_give_nothing():
    counts, exposures, terms, _, players = world(np.random.default_rng(2), players=7)
    assert regression(counts, exposures, terms, names=["born", "recorded"], players=players) is None
    counts, exposures, terms, _, players = world(np.random.default_rng(2), players=8)
    assert regression(counts, exposures, terms, names=["born", "recorded"], players=players) is not None
    twice = terms[:, [0, 0]]
    assert regression(counts, exposures, twice, names=["a", "b"], players=players) is None
    assert regression(0 * counts, exposures, terms, names=["born", "recorded"], players=players) is None


def test_the_order_of_takes_changes_nothing():
    counts, exposures, terms, _, players = world(np.random.default_rng(3))
    order = np.random.default_rng(4).permutation(counts.size)
    names = ["born", "recorded"]
    one = regression(counts, exposures, terms, names=names, players=players)
    other = regression(counts[order], exposures[order], terms[order], names=names, players=[players[i] for i in order])
    assert [e.ratio.low for e in one] == pytest.approx([e.ratio.low for e in other])


def test_a_term_that_hangs_on_one_player_alone_is_not_estimated() -> None:
    rng = np.random.default_rng(3)
    players = np.repeat([f"p{n}" for n in range(10)], 3)
    born = np.repeat(rng.normal(size=10), 3)
    alone = (players == "p4").astype(float)
    counts, exposures = rng.poisson(20, size=30), np.full(30, 2.0)
    both = np.column_stack([born, alone])
    assert regression(counts, exposures, both, names=("born", "alone"), players=players.tolist()) is None
    assert regression(counts, exposures, born[:, None], names=("born",), players=players.tolist()) is not None


def counted(rng, draw):
    """400 takes of 40 players whose rate doubles from one half of them to the other; ``draw`` gives counts of means."""
    of = np.repeat(np.arange(40), 10)
    late = (of % 2 == 0).astype(float)
    exposures = 5 * np.exp(rng.normal(size=of.size))
    return draw(2 * exposures * 2**late), exposures, late[:, None], [f"p{p:02d}" for p in of]


def test_negative_binomial_as_statsmodels_where_takes_differ_and_none_where_they_do_not() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    counts, exposures, terms, players = counted(rng, lambda m: rng.poisson(m * rng.gamma(4, 1 / 4, m.size)))
    (made,) = negative_binomial(counts, exposures, terms, names=["late"], players=players)
    fit = sm.NegativeBinomial(counts, sm.add_constant(terms), exposure=exposures).fit(disp=False)
    # Alpha by moments against by likelihood: a small part of the standard error.
    assert np.log(made.ratio.estimate) == pytest.approx(fit.params[1], abs=0.25 * fit.bse[1])
    wide = np.log(made.ratio.high / made.ratio.low)
    (poisson,) = regression(counts, exposures, terms, names=["late"], players=players)
    assert wide < np.log(poisson.ratio.high / poisson.ratio.low)
    plain = counted(rng, rng.poisson)
    assert negative_binomial(*plain[:3], names=["late"], players=plain[3]) is None


def test_a_variance_that_grows_as_the_mean_is_not_negative_binomial() -> None:
    rng = np.random.default_rng(4)
    # Slides in clumps of four: four times a Poisson's variance at every mean.
    counts, exposures, terms, players = counted(rng, lambda m: 4.0 * rng.poisson(m / 4))
    assert negative_binomial(counts, exposures, terms, names=["late"], players=players) is None
