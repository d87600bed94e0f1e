"""Which edition is followed: the ratio beside plain integration, and what it says of made players."""

import numpy as np
import pytest

from pipeline.stats.editions import LEAST_PLACES, following, log10_ratio


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
    one, two, none = following(slid, np.array([followed, other, silent]), seed=[1])
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
    (made,) = following(shift.copy(), shift[None, :], seed=[1])
    assert made is not None
    assert np.isnan(made.against_others)
    assert made.log_ratio > 5.0


def test_few_places_or_none_say_nothing() -> None:
    assert following(np.zeros(0), np.zeros((2, 0)), seed=[1]) == [None, None]
    assert following(np.ones(3), np.array([[1.0, 0.0, 1.0]]), seed=[1]) == [None]
    assert following(np.zeros(0), np.zeros((0, 0)), seed=[1]) == []
