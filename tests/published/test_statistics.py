"""Statistics against published values; the source stands beside each check."""

import numpy as np
import pytest

from pipeline.stats.agreement import cohens_kappa, krippendorffs_alpha
from pipeline.stats.intervals import Interval, difference_of, poisson_interval, ratio_of, wilson_interval
from pipeline.stats.rates import effective_clusters
from tests.helpers.made_rows import chances, database, joined, rows, side, slide, solo


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


@pytest.mark.parametrize(
    ("values", "quartiles"),
    [
        ([1, 12, 14, 3, 96, 111], (5.25, 13.0, 75.5)),  # R's help list 2012 (fivenum and quantile)
        ([1, 2, 3, 4, 10], (2.0, 3.0, 4.0)),  # type 6, that of SPSS and Minitab, gives 1.5 and 7 (numerics.net)
    ],
)
def test_quartiles_of_slides_are_of_type_7(values, quartiles):
    times = [float(at) for at in range(len(values))]
    con = database(
        "player",
        **joined(
            side("x", "t"),
            chances("x", "t", times),
            {
                "player": [{"player_id": "ann"}],
                "take": [{"take_id": "t"}],
                "performance": [{"take_id": "t", "player_id": "ann"}],
                "solo_span": [solo("x", "t", "ann", to=60.0)],
                "slide": [slide("x", "t", at, ms=float(ms)) for at, ms in zip(times, values, strict=True)],
            },
        ),
    )
    names = [f"duration_{name}_ms" for name in ("q1", "median", "q3")]
    assert rows(con, "summary.slides_by_player", *names) == [pytest.approx(quartiles)]


def test_ratio_of_two_rates():
    # Data of the incidence-rate-ratio calculator of stata.com: 41 in 28,010 against 15 in 19,017. From the normal
    # limits of the logarithms of both rates comes that calculator's 1.0272 to 3.3526; from the exact limits of both
    # its exact 1.0057 to 3.6093 but for what the method of two intervals costs, 2 % of the ratio.
    counts = ((41, 28_010), (15, 19_017))
    normal = [
        Interval(k / e, k / e * np.exp(-1.959964 / np.sqrt(k)), k / e * np.exp(1.959964 / np.sqrt(k)))
        for k, e in counts
    ]
    exact = [poisson_interval(k, exposure=e) for k, e in counts]
    made = ratio_of(*normal)
    assert made.estimate == pytest.approx(1.8558, abs=6e-5)
    assert (made.low, made.high) == (pytest.approx(1.0272, abs=6e-5), pytest.approx(3.3526, abs=6e-5))
    made = ratio_of(*exact)
    assert (made.low, made.high) == (pytest.approx(1.0057, rel=0.02), pytest.approx(3.6093, rel=0.02))
    assert difference_of(*exact).estimate == pytest.approx(0.000675, abs=5e-7)


def test_difference_of_two_shares_from_their_own_intervals():
    # Newcombe, Statistics in Medicine 17 (1998), table II, example (a): 56/70 less 48/80, method 10 (score limits
    # of each combined by squares, the rule that difference_of uses): 0.0524 to 0.3339.
    made = difference_of(wilson_interval(56, trials=70), wilson_interval(48, trials=80))
    assert made.estimate == pytest.approx(0.2)
    assert (made.low, made.high) == (pytest.approx(0.0524, abs=6e-5), pytest.approx(0.3339, abs=6e-5))


def test_effective_number_of_clusters():
    # Kish, Survey Sampling 1965: n over 1 + cv² of the weights. Exposures 4, 5 and 3: cv² = 1/24.
    assert effective_clusters([4, 5, 3]) == pytest.approx(3 / (1 + 1 / 24))
