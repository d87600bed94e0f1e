"""The same quantities from scipy, statsmodels, pandas and networkx on random data."""

import networkx as nx
import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from statsmodels.stats.inter_rater import cohens_kappa as other_kappa
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from pipeline.stats.agreement import cohens_kappa, krippendorffs_alpha
from pipeline.stats.effects import player_effects, regression
from pipeline.stats.intervals import poisson_interval, wilson_interval
from pipeline.stats.lineage import CERTAINTIES, common_teachers, paths_up
from pipeline.stats.rates import resampled_rates, resampling_weights


@pytest.fixture
def rng():
    return np.random.default_rng(20)


def test_poisson_limits_as_statsmodels(rng):
    for count in rng.integers(1, 200, 20):
        made = poisson_interval(count, exposure=7.0)
        assert (made.low, made.high) == pytest.approx(confint_poisson(count, 7.0, method="exact-c"))


def test_proportions_as_statsmodels(rng):
    for trials in rng.integers(2, 90, 20):
        hits = int(rng.integers(0, trials + 1))
        wilson = wilson_interval(hits, trials=trials)
        assert (wilson.low, wilson.high) == pytest.approx(proportion_confint(hits, trials, method="wilson"), abs=1e-12)


def test_kappa_as_statsmodels_and_alpha_near_it(rng):
    first = rng.integers(0, 3, 4000)
    second = np.where(rng.random(4000) < 0.6, first, rng.integers(0, 3, 4000))
    table = np.zeros((3, 3))
    np.add.at(table, (first, second), 1)
    assert cohens_kappa(table) == pytest.approx(other_kappa(table).kappa)
    # With many items and like margins both estimate the same.
    assert krippendorffs_alpha([first.tolist(), second.tolist()]) == pytest.approx(cohens_kappa(table), abs=0.002)


def test_bootstrap_percentiles_as_scipy(rng):
    exposures = rng.gamma(4, size=20)
    counts = rng.poisson(3 * exposures).astype(float)
    ours = np.quantile(
        resampled_rates(counts, exposures, resampling_weights(20, seed=(1,), replicates=20_000)), [0.05, 0.5, 0.95]
    )
    other = scipy.stats.bootstrap(
        (counts, exposures),
        lambda c, e, axis: c.sum(axis=axis) / e.sum(axis=axis),
        paired=True,
        vectorized=True,
        n_resamples=20_000,
        method="percentile",
        rng=rng,
    )
    theirs = np.quantile(other.bootstrap_distribution, [0.05, 0.5, 0.95])
    assert ours == pytest.approx(theirs, abs=0.03)


def test_player_effects_as_negative_binomial_of_statsmodels(rng):
    exposures = rng.gamma(5, 2, 60)
    counts = rng.poisson(2.0 * rng.gamma(4, 0.25, 60) * exposures)
    made = player_effects(counts, exposures)
    model = sm.NegativeBinomial(counts, np.ones(60), exposure=exposures)
    fit = model.fit(disp=0, start_params=[np.log(2.0), 0.25])
    assert made.mean == pytest.approx(np.exp(fit.params[0]), rel=1e-3)
    assert made.variance.estimate == pytest.approx(fit.params[1] * made.mean**2, rel=5e-3)
    assert made.variance.low < made.variance.estimate < made.variance.high
    # Shrunken rates lie between the player's own and the mean, the nearer to the mean the less there is.
    own = counts / exposures
    assert (np.abs(made.shrunken - made.mean) <= np.abs(own - made.mean) + 1e-9).all()
    pull = (made.shrunken - made.mean)[own != made.mean] / (own - made.mean)[own != made.mean]
    assert scipy.stats.spearmanr(pull, exposures[own != made.mean]).statistic == pytest.approx(1)


def test_players_that_do_not_differ_have_no_variance_to_speak_of(rng):
    nothing = 0
    for _ in range(40):
        exposures = rng.gamma(5, 4, 30)
        made = player_effects(rng.poisson(2.0 * exposures), exposures)
        assert made.variance.estimate < 0.3
        nothing += made.variance.low == 0
    # 0 lies below a two-sided 95 % interval once in forty times.
    assert nothing >= 36
    assert player_effects([3, 4], [1, 1]) is None
    assert player_effects([0, 0, 0], [1, 1, 1]) is None


def test_regression_finds_the_planted_effects(rng):
    players = np.repeat(np.arange(60), 8)
    born = rng.uniform(-2, 2, 60)[players]
    recorded = born + rng.normal(3, 1, players.size)
    exposures = rng.gamma(8, 0.5, players.size)
    rate = 4 * np.exp(-0.1 * born - 0.3 * recorded) * rng.gamma(10, 0.1, 60)[players]
    effects = regression(
        rng.poisson(rate * exposures),
        exposures,
        np.column_stack([born, recorded]),
        names=["born", "recorded"],
        players=[str(p) for p in players],
    )
    by_name = {effect.term: effect.ratio for effect in effects}
    assert by_name["born"].low < np.exp(-0.1) < by_name["born"].high
    assert by_name["recorded"].low < np.exp(-0.3) < by_name["recorded"].high
    assert by_name["recorded"].high < 0.85
    # Two terms that cannot be told apart give no answer.
    twice = np.column_stack([born, born])
    assert regression(rng.poisson(4, players.size), exposures, twice, names=["a", "b"], players=list(players)) is None


def random_links(rng, *, people=40, links=90):
    made = {}
    for _ in range(links):
        older, younger = sorted(rng.choice(people, 2, replace=False))
        made[f"p{younger:02d}", f"p{older:02d}"] = CERTAINTIES[rng.integers(3)]
    return made


def test_paths_as_networkx(rng):
    links = random_links(rng)
    graph = nx.DiGraph(list(links))
    ours = {path.people for path in paths_up(links, "p39")}
    theirs = {
        tuple(path) for ancestor in nx.descendants(graph, "p39") for path in nx.all_simple_paths(graph, "p39", ancestor)
    }
    assert ours == theirs
    assert len(ours) > 10
    for path in paths_up(links, "p39"):
        weakest = min((links[pair] for pair in zip(path.people, path.people[1:], strict=False)), key=CERTAINTIES.index)
        assert path.weakest_certainty == weakest


def test_nearest_common_teachers_as_networkx(rng):
    links = random_links(rng)
    graph = nx.DiGraph(list(links))
    checked = 0
    for player, other in (("p39", "p38"), ("p37", "p20"), ("p30", "p31"), ("p35", "p12")):
        if player not in graph or other not in graph:
            continue
        up, other_up = (nx.single_source_shortest_path_length(graph, p) for p in (player, other))
        shared = up.keys() & other_up.keys()
        fewest = min((up[t] + other_up[t] for t in shared), default=None)
        nearest = sorted(t for t in shared if up[t] + other_up[t] == fewest)
        found = common_teachers(links, player, other)
        assert [path.people[-1] for path in found[::2]] == nearest
        assert all(a.people[-1] == b.people[-1] for a, b in zip(found[::2], found[1::2], strict=True))
        checked += bool(nearest)
    assert checked
