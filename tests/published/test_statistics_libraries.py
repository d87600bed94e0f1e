"""The same quantities from scipy, statsmodels, pandas and networkx on random data."""

import networkx as nx
import numpy as np
import pytest
import scipy.stats
from statsmodels.stats.inter_rater import cohens_kappa as other_kappa
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from pipeline.stats.agreement import cohens_kappa, krippendorffs_alpha
from pipeline.stats.intervals import poisson_interval, wilson_interval
from pipeline.stats.lineage import CERTAINTIES, common_teachers, paths_up
from pipeline.stats.planning import holm
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


def test_holm_as_statsmodels(rng):
    for size in (1, 2, 7, 15):
        p = rng.random(size) ** 3
        assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


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
