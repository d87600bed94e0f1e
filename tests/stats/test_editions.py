"""Which edition is followed: the ratio beside plain integration, and what it says of made players."""

import numpy as np
import pytest
from scipy import integrate

from pipeline.stats.editions import LEAST_PLACES, Printed, fingers_log10_ratio, following, log10_ratio


def shifts(*rows: np.ndarray) -> Printed:
    """Editions that print shifts alone."""
    made = np.array(rows)
    return Printed(made, np.full(made.shape, np.nan), np.full(made.shape, np.nan))


@pytest.mark.parametrize("counts", [(3, 4, 1, 9), (0, 5, 4, 6), (7, 7, 0, 12)])
def test_the_ratio_is_that_of_the_two_integrals(counts: tuple[int, int, int, int]) -> None:
    """By the midpoint rule on a fine grid, without beta functions."""
    k1, n1, k0, n0 = counts
    p = (np.arange(2000) + 0.5) / 2000
    one, other = p**k1 * (1 - p) ** (n1 - k1), p**k0 * (1 - p) ** (n0 - k0)
    above = np.triu(np.ones((2000, 2000)), 1) + 0.5 * np.eye(2000)  # p1 > p0
    follows = 2.0 * float(other @ above @ one) / 2000**2
    chance = float((one * other).mean())
    made = log10_ratio(*(np.array([float(x)]) for x in counts))
    assert made[0] == pytest.approx(np.log10(follows / chance), abs=2e-3)


def test_chance_seldom_looks_like_following() -> None:
    """Markov's inequality: under chance, whatever its rate, 20 to 1 comes in one take of twenty at most."""
    rng = np.random.default_rng(3)
    shift = (rng.random(60) < 0.3).astype(np.float64)
    reached = []
    for _ in range(400):
        slid = (rng.random(60) < rng.random()).astype(np.float64)
        k1, n1, k0, n0 = slid[shift == 1].sum(), shift.sum(), slid[shift == 0].sum(), 60 - shift.sum()
        reached.append(log10_ratio(*(np.array([x]) for x in (k1, n1, k0, n0)))[0] >= np.log10(20.0))
    assert np.mean(reached) <= 0.05


def test_the_edition_followed_stands_out() -> None:
    rng = np.random.default_rng(8)
    followed, other = (rng.random((2, 120)) < 0.3).astype(np.float64)
    slid = (rng.random(120) < np.where(followed == 1, 0.6, 0.1)).astype(np.float64)
    silent = np.full(120, np.nan)
    silent[: LEAST_PLACES - 1] = 1.0
    one, two, none = following(slid, shifts(followed, other, silent), seed=[1])
    assert one is not None
    assert two is not None
    assert none is None
    assert one.low > 1.0
    assert one.against_low > 1.0
    assert two.high < 1.0
    assert two.against_others == pytest.approx(-one.against_others)
    assert (one.shifts, one.others) == (followed.sum(), 120 - followed.sum())
    assert one.shifts_slid == slid[followed == 1].sum()


def test_one_edition_has_no_others() -> None:
    rng = np.random.default_rng(8)
    shift = (rng.random(40) < 0.5).astype(np.float64)
    (made,) = following(shift.copy(), shifts(shift), seed=[1])
    assert made is not None
    assert np.isnan(made.against_others)
    assert made.log_ratio > 5.0


def test_few_places_or_none_say_nothing() -> None:
    assert following(np.zeros(0), shifts(np.zeros(0), np.zeros(0)), seed=[1]) == [None, None]
    assert following(np.ones(3), shifts(np.array([1.0, 0.0, 1.0])), seed=[1]) == [None]
    assert following(np.ones(20), shifts(np.ones(20)), seed=[1]) == [None]  # the hand moves everywhere


def test_the_ratio_of_fingers_is_that_of_the_integral() -> None:
    """By adaptive quadrature (QUADPACK) of the likelihood itself."""
    alike, chance = np.array([1.0, 1.0, 0.0, 1.0]), np.array([0.3, 0.8, 0.6, 0.1])

    def likelihood(u: float) -> float:
        taken = chance + (1.0 - chance) * u
        return float(np.prod(np.where(alike == 1, taken, 1.0 - taken)))

    expected = integrate.quad(likelihood, 0.0, 1.0)[0] / likelihood(0.0)
    assert fingers_log10_ratio(alike, chance, np.ones((1, 4)))[0] == pytest.approx(np.log10(expected), abs=1e-4)


def test_fingers_that_others_use_too_seldom_look_like_following() -> None:
    """Players who all draw from the same habits, of which three others are known: ten to one in one of ten at most."""
    rng = np.random.default_rng(5)
    reached = []
    for _ in range(400):
        habit = rng.beta(2.0, 1.0, 40)
        used = rng.random((4, 40)) < habit
        mean = (used[1:].sum() + 0.5) / (used[1:].size + 1.0)
        chance = (used[1:].sum(axis=0) + mean) / 4.0
        reached.append(fingers_log10_ratio(used[0].astype(float), chance, np.ones((1, 40)))[0] >= 1.0)
    assert np.mean(reached) <= 0.1


def test_fingers_decide_between_editions_where_slides_do_not() -> None:
    rng = np.random.default_rng(9)
    shift = (rng.random(60) < 0.3).astype(np.float64)
    slid = (rng.random(60) < np.where(shift == 1, 0.5, 0.1)).astype(np.float64)
    alike = np.where(rng.random((2, 60)) < np.array([[0.9], [0.5]]), 1.0, 0.0)
    one, other = following(slid, Printed(np.array([shift, shift]), alike, np.full((2, 60), 0.5)), seed=[1])
    assert one is not None
    assert other is not None
    assert one.against_low > 0.0
    assert one.of_fingers > 1.0
    assert one.log_ratio - one.of_fingers == pytest.approx(other.log_ratio - other.of_fingers)
    assert (one.fingers, one.fingers_alike) == (60.0, alike[0].sum())
