"""Methods of inference against published values; the source stands beside each check."""

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.agreement import krippendorffs_alpha
from pipeline.stats.change import combined_effect
from pipeline.stats.planning import Design, holm, plan, power
from pipeline.stats.regression import regression
from pipeline.stats.reliability import intraclass, limits_of_agreement, self_agreement

# 13 trials of the BCG vaccine: cases and others with and without it (Colditz et al., JAMA 271, 1994;
# metafor's dat.bcg).
BCG = np.array(
    [
        (4, 119, 11, 128),
        (6, 300, 29, 274),
        (3, 228, 11, 209),
        (62, 13536, 248, 12619),
        (33, 5036, 47, 5761),
        (180, 1361, 372, 1079),
        (8, 2537, 10, 619),
        (505, 87886, 499, 87892),
        (29, 7470, 45, 7232),
        (17, 1699, 65, 1600),
        (186, 50448, 141, 27197),
        (5, 2493, 3, 2338),
        (27, 16886, 29, 17825),
    ],
    dtype=float,
)


def test_paule_and_mandel_with_hartung_and_knapp():
    # metafor, rma(yi, vi, method="PM", test="knha") on log risk ratios: -.71497, se .18089, -1.10910 to -.32084.
    a, b, c, d = BCG.T
    y = np.log(a / (a + b)) - np.log(c / (c + d))
    made = combined_effect(y, 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))
    assert made.freedom == 12
    assert np.log([made.ratio.estimate, made.ratio.low, made.ratio.high]) == pytest.approx(
        [-0.71497, -1.10910, -0.32084], abs=2e-5
    )
    assert made.log_se == pytest.approx(0.18089, abs=1e-5)


# Seizures of epileptics in four fortnights (Thall and Vail, Biometrics 46, 1990; MASS::epil), subjects 1 to 6 (placebo)
# and 29 to 36 (progabide): seizures of the eight weeks before, and the four counts.
EPIL = (
    (0, 11, (5, 3, 3, 3)),
    (0, 11, (3, 5, 3, 3)),
    (0, 6, (2, 4, 0, 5)),
    (0, 8, (4, 4, 1, 4)),
    (0, 66, (7, 18, 9, 21)),
    (0, 27, (5, 2, 8, 7)),
    (1, 76, (11, 14, 9, 8)),
    (1, 38, (8, 7, 9, 4)),
    (1, 19, (0, 4, 3, 0)),
    (1, 10, (3, 6, 1, 3)),
    (1, 19, (2, 6, 7, 4)),
    (1, 24, (4, 3, 1, 3)),
    (1, 31, (22, 17, 19, 16)),
    (1, 14, (5, 4, 7, 4)),
)


def test_regression_with_errors_as_clubsandwich():
    # clubSandwich 0.5.8, vcovCR(glm(y ~ trt + log(base/4) + V4 + offset(log(2)), poisson), subject, "CR3").
    rows = [
        (person, y, treated, np.log(base / 4), float(week == 3))
        for person, (treated, base, counts) in enumerate(EPIL)
        for week, y in enumerate(counts)
    ]
    person, y, *terms = zip(*rows, strict=True)
    assert (len(y), sum(y)) == (56, 343)
    made = regression(
        y, np.full(56, 2.0), np.array(terms).T, names=["trt", "base", "V4"], players=[f"{p:02d}" for p in person]
    )
    t = stats.t.ppf(0.975, 13)
    assert np.log([each.ratio.estimate for each in made]) == pytest.approx([-0.02580, 0.68309, -0.01170], abs=6e-6)
    errors = [np.log(each.ratio.high / each.ratio.low) / (2 * t) for each in made]
    assert errors == pytest.approx([0.31126, 0.14125, 0.16738], abs=6e-6)
    assert made[1].p == pytest.approx(2 * stats.t.sf(0.68309 / 0.14125, 13), rel=1e-3)


# Eight wines by four judges (real-statistics.com, Intraclass Correlation).
WINES = (
    (1, 2, 0, 1),
    (1, 3, 3, 2),
    (3, 8, 1, 4),
    (6, 4, 3, 3),
    (6, 5, 5, 6),
    (7, 5, 6, 2),
    (8, 7, 7, 9),
    (9, 9, 9, 8),
)


def test_intraclass_correlations():
    # real-statistics.com for (2,1) .7277 and the others; pingouin 0.7 gives all six.
    made = intraclass(WINES)
    assert (made.one_way_single, made.random_single, made.fixed_single) == pytest.approx(
        (0.7275, 0.7277, 0.7295), abs=6e-5
    )
    assert (made.one_way_mean, made.random_mean, made.fixed_mean) == pytest.approx((0.9144, 0.9145, 0.9152), abs=6e-5)
    assert intraclass([[3, 3], [3, 3]]) is None


def test_krippendorffs_alpha_of_ordered_and_measured_values():
    # krippendorff 0.9.0 (docstring; the ordinal value computed by it).
    texts = ("*****341211 33*3", "1*213343*******", "**2134 4*21133*4")
    rows = [[None if x == "*" else int(x) for x in text.replace(" ", "")] for text in texts]
    assert krippendorffs_alpha(rows) == pytest.approx(0.691358, abs=6e-7)
    assert krippendorffs_alpha(rows, scale="interval") == pytest.approx(0.810845, abs=6e-7)
    assert krippendorffs_alpha(rows, scale="ordinal") == pytest.approx(0.8067, abs=6e-5)


def test_limits_of_agreement_of_two_peak_flow_meters():
    # Bland and Altman, Lancet i (1986): 17 people, large less mini meter: mean -2.1, sd 38.8, limits -79.7 and 75.5
    # with 2 for 1.96.
    large = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
    mini = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)
    made = limits_of_agreement(mini, large)
    assert (made.mean.estimate, made.sd) == pytest.approx((-2.1, 38.8), abs=0.06)
    scale = 1.959964 / 2
    assert (made.low, made.high) == pytest.approx((-2.1 - 77.6 * scale, -2.1 + 77.6 * scale), abs=0.2)


def test_self_agreement_of_twenty_items():
    # Clopper and Pearson's limits of 18 of 20: .683 to .988 (statpages.info/confint.html).
    made = self_agreement(18, 20)
    assert (made.estimate, made.low, made.high) == pytest.approx((0.9, 0.683, 0.988), abs=6e-4)


def test_holm_by_hand():
    # Holm 1979: .01 x 4, .02 x 3, .03 x 2, .04 x 1, each at least the one before; NaN does not count.
    assert holm([0.04, np.nan, 0.01, 0.03, 0.02]) == pytest.approx([0.06, np.nan, 0.04, 0.06, 0.06], nan_ok=True)


def test_power_of_the_t_test():
    # Cohen, Statistical Power Analysis 1988, table 2.3.5: d = .5, 64 in each group, two-sided 5 %: power .80; and
    # table 2.4.1: d = .8 needs 26 in each group.
    unit = Design(spread=1.0, session_spread=0.0, change_spread=1.0, sessions=1, slides=1e12)
    assert power(unit, ratio=np.exp(0.5), players=64, same_players=False) == pytest.approx(0.80, abs=0.005)
    (needed,) = plan(unit, [np.exp(0.8)])
    assert needed.players_in_each == 26
    # G*Power 3.1 manual, paired t test: d_z = .5 needs 34 for power .8.
    assert plan(unit, [np.exp(0.5)])[0].same_players == 34
