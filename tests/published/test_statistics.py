"""Statistics against published values; the source stands beside each check."""

import numpy as np
import pytest

from pipeline.stats.agreement import cohens_kappa, krippendorffs_alpha
from pipeline.stats.intervals import (
    design_effect,
    difference_of,
    exact_rate_ratio,
    poisson_interval,
    quantiles,
    wald_rate_ratio,
    wilson_interval,
)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [
        # Garwood's exact limits: 0 and 10 as in epidemiological calculators (0 to 3.689, 4.795 to 18.390);
        # the others computed by hand from the chi-squared form of Garwood 1936.
        (0, 0.0, 3.689),
        (1, 0.025, 5.572),
        (2, 0.242, 7.225),
        (3, 0.619, 8.767),
        (4, 1.090, 10.242),
        (5, 1.623, 11.668),
        (7, 2.814, 14.423),
        (10, 4.795, 18.390),
        (20, 12.217, 30.888),
        (50, 37.111, 65.919),
        (100, 81.364, 121.627),
    ],
)
def test_exact_poisson_limits(count, low, high):
    made = poisson_interval(count, exposure=1.0)
    assert (made.low, made.high) == (pytest.approx(low, abs=6e-4), pytest.approx(high, abs=6e-4))


def test_no_slides_in_three_and_a_half_minutes_leave_about_one_a_minute():
    made = poisson_interval(0, exposure=3.5)
    assert (made.estimate, made.low) == (0.0, 0.0)
    assert made.high == pytest.approx(1.054, abs=5e-4)


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [
        (23, 60, 0.2709, 0.5098),  # vassarstats.net/prop1.html
        (7, 10, 0.3968, 0.8922),  # computed from Wilson 1927
        (0, 10, 0.0, 0.2775),  # computed from Wilson 1927
    ],
)
def test_wilson_limits(successes, trials, low, high):
    made = wilson_interval(successes, trials=trials)
    assert (made.low, made.high) == (pytest.approx(low, abs=6e-5), pytest.approx(high, abs=6e-5))


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        ([[20, 5], [10, 15]], 0.400),  # observed .70, expected .50: the textbook example of Cohen's kappa
        ([[45, 15], [25, 15]], 0.1304),  # same observed agreement as the next, other margins
        ([[25, 35], [5, 35]], 0.2593),
        ([[44, 5, 1], [7, 20, 3], [9, 5, 6]], 0.4915),  # data of Cohen 1960 as in the lbagree manual
    ],
)
def test_cohens_kappa(table, kappa):
    assert cohens_kappa(table) == pytest.approx(kappa, abs=6e-5)


def test_kappa_is_undefined_where_chance_alone_agrees_completely():
    assert np.isnan(cohens_kappa([[10, 0], [0, 0]]))


@pytest.mark.parametrize(
    ("first", "second", "alpha"),
    [
        # Krippendorff, Computing Krippendorff's Alpha-Reliability, examples A (binary) and B (nominal).
        ("0100000010", "1110010000", 0.095),
        ("aabbdcccedda", "babbbccceddd", 0.692),
    ],
)
def test_krippendorffs_alpha(first, second, alpha):
    assert krippendorffs_alpha([list(first), list(second)]) == pytest.approx(alpha, abs=6e-4)


def test_krippendorffs_alpha_with_four_listeners_and_gaps():
    # Example C of the same paper: nominal data, any number of observers, missing values: 0.743.
    gaps = [
        [1, 2, 3, 3, 2, 1, 4, 1, 2, None, None, None],
        [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, None, 3],
        [None, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, None],
        [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, None],
    ]
    assert krippendorffs_alpha(gaps) == pytest.approx(0.743, abs=6e-4)


def test_quantiles_are_of_type_7():
    # R's help list 2012 (fivenum and quantile): 1, 12, 14, 3, 96, 111.
    assert quantiles([1, 12, 14, 3, 96, 111], [0.25, 0.5, 0.75]) == pytest.approx([5.25, 13.0, 75.5])
    # Type 6, that of SPSS and Minitab, would give 10 and 1.5 (numerics.net on quantile definitions).
    assert quantiles([1, 2, 3, 4, 10], [0.9, 0.25]) == pytest.approx([7.6, 2.0])


def test_ratio_of_two_rates():
    # Data of the incidence-rate-ratio calculator of stata.com: 41 in 28,010 against 15 in 19,017.
    data = {"exposure": 28_010, "other_count": 15, "other_exposure": 19_017}
    exact, wald = exact_rate_ratio(41, **data), wald_rate_ratio(41, **data)
    assert exact.estimate == pytest.approx(1.8558, abs=6e-5)
    assert (exact.low, exact.high) == (pytest.approx(1.0057, abs=6e-5), pytest.approx(3.6093, abs=6e-5))
    assert (wald.low, wald.high) == (pytest.approx(1.0272, abs=6e-5), pytest.approx(3.3526, abs=6e-5))
    difference = difference_of(poisson_interval(41, exposure=28_010), poisson_interval(15, exposure=19_017))
    assert difference.estimate == pytest.approx(0.000675, abs=5e-7)


@pytest.mark.parametrize(("size", "correlation", "effect", "worth"), [(20, 0.1, 2.9, 69), (50, 0.2, 10.8, 18.5)])
def test_design_effect(size, correlation, effect, worth):
    # Kish's formula, Survey Sampling 1965: 200 slides are worth so many independent ones.
    made = design_effect(cluster_size=size, correlation=correlation)
    assert made == pytest.approx(effect)
    assert 200 / made == pytest.approx(worth, abs=0.5)
