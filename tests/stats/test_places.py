"""Groups compared within places, and how alike players are there."""

import itertools
import math

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable

from pipeline.stats.agreement import cohens_kappa
from pipeline.stats.likeness import likeness, of_others, raised, taught_pairs
from pipeline.stats.places import Told, place_effect, sentence

# Admissions to six departments: men admitted and rejected, women admitted and rejected (Bickel, Hammel and O'Connell,
# Science 187, 1975, as in R's data set UCBAdmissions). R's mantelhaen.test gives the common odds ratio 0.9046968.
DEPARTMENTS = np.array(
    [
        [512, 313, 89, 19],
        [353, 207, 17, 8],
        [120, 205, 202, 391],
        [138, 279, 131, 244],
        [53, 138, 94, 299],
        [22, 351, 24, 317],
    ],
    dtype=np.float64,
)


def one_player_each(tables: np.ndarray) -> tuple[Told, Told]:
    """Tables of places (slid and not of the first, slid and not of the other) as the doings of one player a group."""
    a, b, c, d = tables.T
    none = np.zeros_like(a)
    return Told(np.array([a, none]), np.array([a + b, none])), Told(np.array([none, c]), np.array([none, c + d]))


def test_the_odds_ratio_of_a_published_example() -> None:
    made = place_effect(*one_player_each(DEPARTMENTS), seed=[1])
    assert made is not None
    assert made.ratio.estimate == pytest.approx(0.9046968, abs=5e-8)
    assert made.unmatched == pytest.approx(1198 * 1278 / (1493 * 557), rel=1e-12)
    assert made.places == 6
    assert made.coverage == 1.0
    assert np.isnan(made.ratio.low)  # two players say nothing of players


def test_the_odds_ratio_and_difference_of_statsmodels() -> None:
    rng = np.random.default_rng(4)
    tables = rng.integers(0, 9, (12, 4)).astype(np.float64)
    tables[3] = [2, 1, 0, 0]  # played by one group only: no stratum
    made = place_effect(*one_player_each(tables), seed=[1])
    assert made is not None
    kept = tables[(tables[:, :2].sum(axis=1) > 0) & (tables[:, 2:].sum(axis=1) > 0)]
    theirs = StratifiedTable([row.reshape(2, 2) for row in kept])
    assert made.ratio.estimate == pytest.approx(theirs.oddsratio_pooled, rel=1e-12)
    assert made.places == len(kept)
    # The difference of Mantel and Haenszel, by its formula.
    n1, n2 = kept[:, :2].sum(axis=1), kept[:, 2:].sum(axis=1)
    difference = ((kept[:, 0] * n2 - kept[:, 2] * n1) / (n1 + n2)).sum() / (n1 * n2 / (n1 + n2)).sum()
    assert made.share - made.other_share == pytest.approx(difference, rel=1e-12)
    alike = (kept[:, [0, 2]].sum(axis=1) == 0) | (kept[:, [1, 3]].sum(axis=1) == 0)
    assert made.places_alike == alike.sum()


def test_limits_by_trying_every_resample() -> None:
    rng = np.random.default_rng(9)
    told = np.ones((6, 8))
    slid = (rng.random((6, 8)) < np.array([[0.7], [0.6], [0.8], [0.3], [0.4], [0.2]])).astype(np.float64)
    group = np.arange(6) < 3
    first, other = (Told(slid * g[:, None], told * g[:, None]) for g in (group, ~group))
    made = place_effect(first, other, seed=[2], replicates=20_000)
    assert made is not None
    logs = []
    for one in itertools.product(range(3), repeat=3):
        for two in itertools.product(range(3, 6), repeat=3):
            a, c = slid[list(one)].sum(axis=0), slid[list(two)].sum(axis=0)
            logs.append(np.log(((a * (3 - c) / 6).sum() + 0.25) / (((3 - a) * c / 6).sum() + 0.25)))
    spread = np.std(logs) * np.sqrt(6 / 4)
    half = 2.776445 * spread  # Student's t, 4 degrees of freedom (tables)
    assert np.log(made.ratio.high / made.ratio.estimate) == pytest.approx(half, rel=0.03)
    assert made.ratio.estimate**2 == pytest.approx(made.ratio.low * made.ratio.high, rel=1e-9)


def test_a_player_of_both_groups_is_drawn_once() -> None:
    """Two groups that are the same rows of the same players cannot differ, whoever is drawn."""
    rng = np.random.default_rng(5)
    slid = (rng.random((7, 10)) < 0.4).astype(np.float64)
    both = Told(slid, np.ones_like(slid))
    made = place_effect(both, both, seed=[3])
    assert made is not None
    assert made.ratio.estimate == pytest.approx(1.0)
    assert np.isnan(made.ratio.low)  # no spread at all: no limits
    assert made.players == 7


def test_repertoire_alone_makes_no_effect() -> None:
    """Simpson's paradox: at each place the first slides more, over all rows less."""
    easy, hard = [18.0, 2.0, 80.0, 20.0], [30.0, 70.0, 4.0, 16.0]
    made = place_effect(*one_player_each(np.array([easy, hard])), seed=[1])
    assert made is not None
    assert made.ratio.estimate > 1.4
    assert made.unmatched < 0.4
    # By hand: weights 20*100/120 and 100*20/120 are equal.
    assert (made.share, made.other_share) == (pytest.approx(0.6), pytest.approx(0.5))
    said = sentence(made, first="Mossgate", other="Saltmarrow")
    assert said == "at the 2 places that both play: Mossgate 60 % against Saltmarrow 50 %"


def test_no_place_in_common_gives_nothing() -> None:
    first = Told(np.array([[1.0, 0.0]]), np.array([[2.0, 0.0]]))
    other = Told(np.array([[0.0, 1.0]]), np.array([[0.0, 1.0]]))
    assert place_effect(first, other, seed=[1]) is None


def test_kappa_is_that_of_cohen() -> None:
    rng = np.random.default_rng(2)
    slid = (rng.random((5, 40)) < 0.4).astype(np.float64)
    made = likeness(slid, np.ones_like(slid), 0, 1, seed=[1])
    assert made is not None
    x, y = slid[0], slid[1]
    table = [[(x * y).sum(), (x * (1 - y)).sum()], [((1 - x) * y).sum(), ((1 - x) * (1 - y)).sum()]]
    assert made.kappa == pytest.approx(cohens_kappa(table), rel=1e-12)
    assert (made.both, made.one, made.neither) == (table[0][0], table[0][1] + table[1][0], table[1][1])


def test_chances_are_raised_to_a_mean() -> None:
    chances = np.array([0.1, 0.5, 0.8])
    made = raised(chances, 0.6)
    assert made.mean() == pytest.approx(0.6, abs=1e-9)
    odds = made / (1 - made) / (chances / (1 - chances))
    assert odds == pytest.approx([odds[0]] * 3)
    assert of_others(np.array([[1.0, 0.0]]), np.array([[1.0, 1.0]])) == pytest.approx([0.75, 0.25])


def test_strangers_at_telling_places_agree_by_the_places_alone() -> None:
    """Places differ much; nobody copies anybody, but for one student who does as the teacher in four places of five."""
    rng = np.random.default_rng(11)
    chance = 1 / (1 + np.exp(-rng.normal(0, 1.5, 300)))
    slid = (rng.random((10, 300)) < chance).astype(np.float64)
    slid[1] = np.where(rng.random(300) < 0.8, slid[0], slid[1])
    told = np.ones_like(slid)
    pairs = {
        (i, j): likeness(slid, told, i, j, seed=[i, j], replicates=400) for i, j in itertools.combinations(range(10), 2)
    }
    strangers = [made for pair, made in pairs.items() if made is not None and 1 not in pair]
    assert np.mean([made.kappa for made in strangers]) > 0.2
    assert abs(np.mean([made.beyond for made in strangers])) < 0.05
    own = pairs[0, 1]
    assert own is not None
    assert own.low > 0.2
    beyond = np.full((10, 10), np.nan)
    for (i, j), made in pairs.items():
        assert made is not None
        beyond[i, j] = beyond[j, i] = made.beyond
    links = np.zeros((10, 10), dtype=np.bool_)
    links[0, 1] = links[1, 0] = True
    tested = taught_pairs(beyond, links, seed=[1])
    assert tested is not None
    assert (tested.taught, tested.others, tested.p) == (1, 44, None)  # one pair is no ground for a p value


def test_taught_pairs_that_stand_out_are_as_rare_as_exchanges_that_keep_them() -> None:
    """Six teachers of six students each: 2 (6!)^2 of the 12! orders of twelve players keep all 36 pairs."""
    links = np.zeros((12, 12), dtype=np.bool_)
    links[:6, 6:] = links[6:, :6] = True
    tested = taught_pairs(links.astype(np.float64), links, seed=[1])
    assert tested is not None
    assert (tested.taught, tested.others, tested.mean_taught, tested.mean_others) == (36, 30, 1.0, 0.0)
    assert tested.p == pytest.approx(2 / math.comb(12, 6), abs=0.004)


def test_too_few_places_say_nothing() -> None:
    slid = np.tile([1.0, 0.0, 1.0], (2, 3))
    assert likeness(slid, np.ones_like(slid), 0, 1, seed=[1]) is None
