"""The typical and the average player, and players as a sample summed over a grid."""

import numpy as np
import pytest
from scipy import special, stats

from pipeline.stats.player_grid import player_grid
from pipeline.stats.whose_rate import compare_players, players_rates, tells_spread


def test_typical_player_is_students_t_of_logarithms():
    counts, exposures = np.array([30.0, 12, 50, 21]), np.array([10.0, 3, 9, 14])
    made = players_rates(counts, exposures, list("abcd"))
    y = np.log((counts + 0.5) / exposures)
    low, high = stats.t.interval(0.95, 3, loc=y.mean(), scale=stats.sem(y))
    assert np.log([made.typical.estimate, made.typical.low, made.typical.high]) == pytest.approx([y.mean(), low, high])
    assert made.method == "log t"


def test_average_player_by_the_modified_cox_interval():
    # Olsson 2005, example: 40 observations, mean of logs 5.127, variance 1.010; modified Cox 194.4 to 413.6 about 283.
    # With counts so great that chance adds nothing, and logs of that mean and variance.
    z = stats.norm.ppf((np.arange(40) + 0.5) / 40)
    y = 5.127 + (z - z.mean()) * np.sqrt(1.010) / z.std(ddof=1)
    counts = np.full(40, 1e9)
    made = players_rates(counts, counts / np.exp(y), np.arange(40))
    # By hand from the formula with t(39) = 2.0227: exp(5.632 -+ 2.0227 sqrt(.02525 + 1.0201 / 78)).
    half = 2.0227 * np.sqrt(1.010 / 40 + 1.010**2 / 78)
    assert np.log([made.average.estimate, made.average.low, made.average.high]) == pytest.approx(
        [5.632, 5.632 - half, 5.632 + half], abs=1e-4
    )


def test_sessions_of_a_player_are_one_vote():
    whole = players_rates([40, 30, 20], [4, 6, 8], ["a", "b", "c"])
    split = players_rates([15, 25, 30, 20], [3, 1, 6, 8], ["a", "a", "b", "c"])
    assert (split.typical, split.average) == (whole.typical, whole.average)


def test_ratio_is_welchs_t_of_logarithms():
    rng = np.random.default_rng(3)
    groups = [(rng.poisson(60, n).astype(float), rng.gamma(5, 2, n)) for n in (5, 9)]
    made = compare_players(*(players_rates(c, e, np.arange(c.size)) for c, e in groups))
    other = stats.ttest_ind(*(np.log((c + 0.5) / e) for c, e in groups), equal_var=False)
    limits = other.confidence_interval(0.95)
    assert made.p == pytest.approx(other.pvalue)
    assert np.log([made.ratio.low, made.ratio.high]) == pytest.approx([limits.low, limits.high])


def test_few_players_give_rates_without_ratio_and_fewer_nothing():
    assert players_rates([20, 30], [1, 2], ["a", "b"]) is None
    assert players_rates([0, 0, 0], [1, 2, 3], ["a", "b", "c"]) is None
    three, five = (players_rates([20.0] * n, np.arange(1.0, n + 1), np.arange(n)) for n in (3, 5))
    assert three.players == 3
    assert compare_players(three, five) is None


def test_few_slides_go_to_the_grid_and_its_ratio_holds_no_more_than_it_knows():
    few = players_rates([3, 6, 2, 8], [1, 2, 1, 2], list("abcd"))
    many = players_rates([40, 60, 30, 70], [10, 20, 10, 20], list("efgh"))
    assert (few.method, many.method) == ("grid", "log t")
    ratio, back = compare_players(few, many), compare_players(many, few)
    assert ratio.ratio.estimate == pytest.approx(few.typical.estimate / many.typical.estimate, rel=0.05)
    assert back.ratio.low == pytest.approx(1 / ratio.ratio.high, rel=0.01)
    assert back.p == pytest.approx(ratio.p, abs=0.01)


def plain_posterior(counts, exposures, of, draws=400_000):
    """The same model by drawing from the priors and weighing by the likelihood: mu flat from -3 to 3 about the mean for
    the average player and the spread, and weighed by Jeffreys' prior for the typical player and each one's rate."""
    rng = np.random.default_rng(1)
    centre = np.log(counts.sum() / exposures.sum())
    mu = rng.uniform(-3, 3, draws)
    sigma, kappa = np.abs(rng.normal(0, 1, draws)), np.abs(rng.normal(0, 0.4, draws)).clip(0.02)
    rates = np.exp(centre + mu[:, None] + sigma[:, None] * rng.normal(size=(draws, of.max() + 1)))
    shape = 1 / kappa**2
    logs = np.zeros(draws)
    told, middle = np.zeros((2, draws, of.max() + 1))
    for c, e, p in zip(counts, exposures, of, strict=True):
        m = rates[:, p] * e
        logs += special.gammaln(c + shape) - special.gammaln(shape) - (c + shape) * np.log1p(m / shape)
        logs += c * np.log(m / shape)
        for at, of_mu in ((mu, told), (0.0, middle)):
            usual = np.exp(centre + at) * e
            of_mu[:, p] += usual / (1 + kappa**2 * usual)
    information = [(i / (1 + sigma[:, None] ** 2 * i)).sum(axis=1) for i in (told, middle)]
    flat = special.softmax(logs)
    matching = special.softmax(logs + 0.5 * np.log(information[0] / information[1]))

    def quantiles(values, weight, at=(0.025, 0.5, 0.975)):
        order = np.argsort(values)
        return np.interp(at, np.cumsum(weight[order]), values[order])

    return (
        quantiles(np.exp(centre + mu), matching),
        quantiles(np.exp(centre + mu + sigma**2 / 2), flat),
        quantiles(sigma, flat),
        [quantiles(rates[:, p], matching) for p in range(rates.shape[1])],
    )


@pytest.mark.slow
def test_grid_as_weighted_draws_from_the_priors():
    counts, exposures = np.array([4.0, 7, 2, 9, 12]), np.array([2.0, 2, 1, 2, 8])
    of = np.array([0, 0, 1, 1, 2])
    made = player_grid(counts, exposures, of)
    typical, average, spread, rates = plain_posterior(counts, exposures, of)
    # 400,000 weighted draws are worth some thousands: quantiles within 6 %; the typical player's far tail less.
    assert [made.typical.low, made.typical.estimate, made.typical.high] == pytest.approx(typical, rel=0.12)
    assert [made.average.low, made.average.estimate] == pytest.approx(average[:2], rel=0.08)
    assert [made.spread.low, made.spread.estimate, made.spread.high] == pytest.approx(spread, rel=0.08, abs=0.03)
    for player in range(3):
        own = [made.low[player], made.rates[player], made.high[player]]
        assert own == pytest.approx(rates[player], rel=0.06)


def test_spread_is_told_by_the_middle_players_slides_or_by_many_players():
    assert tells_spread([12.0, 30, 9, 2, 40])
    assert not tells_spread([3.0, 200, 2, 5, 4])
    assert tells_spread([3.0] * 15)


def test_players_who_are_alike_count_one_by_one():
    counts, exposures = np.array([0.0, 1, 0, 2, 0, 1]), np.array([1.0, 1, 2, 1, 1, 1])
    together = player_grid(counts, exposures, np.arange(6))
    apart = player_grid(counts, exposures * (1 + 1e-9 * np.arange(6)), np.arange(6))
    assert together.average.estimate == pytest.approx(apart.average.estimate, rel=1e-6)
    assert together.typical.high == pytest.approx(apart.typical.high, rel=1e-6)
    assert together.rates == pytest.approx(apart.rates, rel=1e-6)
    assert together.rates[0] == together.rates[4] < together.rates[1] == together.rates[5]


def test_grid_leaves_players_with_much_music_alone_and_draws_others_in():
    rng = np.random.default_rng(5)
    rates = 3 * np.exp(0.5 * rng.normal(size=12))
    of = np.repeat(np.arange(12), 6)
    exposures = np.where(of < 6, 200.0, 0.5)
    counts = rng.poisson(rates[of] * exposures).astype(float)
    made = player_grid(counts, exposures, of)
    own = np.bincount(of, counts) / np.bincount(of, exposures)
    assert made.rates[:6] == pytest.approx(own[:6], rel=0.05)
    pulled = np.abs(np.log(made.rates[6:] / made.typical.estimate)) < np.abs(np.log(own[6:] / made.typical.estimate))
    assert pulled.mean() >= 0.8
    assert made.low[0] < rates[0] < made.high[0]
    assert player_grid([3, 4], [1, 1], [0, 1]) is None
    assert player_grid([0, 0, 0], [1, 1, 1], [0, 1, 2]) is None
