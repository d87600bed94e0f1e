"""Did players change, or were they replaced?"""

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.change import changed_or_replaced, combined_effect

MANY = 1e8


def rates_as_counts(rates):
    """Counts so great that chance adds nothing, and the exposures of these rates."""
    rates = np.asarray(rates, dtype=float)
    return np.where(rates > 0, MANY, 0.0), np.where(rates > 0, MANY / np.where(rates > 0, rates, 1.0), 0.0)


def test_within_is_the_paired_t_test_where_counts_are_great():
    # With variances of chance all alike, Paule and Mandel's mean is the plain mean and Hartung and Knapp's error its
    # standard error (Hartung and Knapp 2001).
    first, second = np.array([4.0, 2, 7, 3, 5]), np.array([3.0, 2.2, 4, 1, 4])
    made = changed_or_replaced(rates_as_counts(first), rates_as_counts(second))
    other = stats.ttest_rel(np.log(first), np.log(second))
    assert made.within.compared.p == pytest.approx(other.pvalue, rel=1e-4)
    assert made.within.players == 5
    assert made.between is None
    assert made.joined == made.within
    assert made.differ_p is None


def test_a_players_weight_does_not_go_with_the_players_own_ratio():
    # As much exposure and as many slides in both together: as many votes, however the slides are divided.
    first, second = np.array([8.0, 2, 5, 5, 7, 6]), np.array([2.0, 8, 5, 5, 3, 4])
    made = changed_or_replaced((first, np.full(6, 2.0)), (second, np.full(6, 2.0)))
    votes = np.log(first + 0.5) - np.log(second + 0.5)
    assert np.log(made.within.compared.ratio.estimate) == pytest.approx(votes.mean(), abs=1e-6)


def test_players_who_agree_by_luck_are_no_surer_than_chance_allows():
    made = combined_effect([0.5] * 4, [0.1] * 4).ratio
    half = stats.t.ppf(0.975, 3) * np.sqrt(0.1 / 4)
    assert np.log([made.estimate, made.low, made.high]) == pytest.approx([0.5, 0.5 - half, 0.5 + half], abs=1e-5)


def test_both_kinds_of_evidence_are_joined_by_their_precision():
    both_1, both_2 = [4.0, 2, 7, 3, 5], [2.1, 1.2, 3, 1.7, 2.9]
    only_1, only_2 = [6.0, 3, 8, 2], [3.0, 2, 5, 1, 2.5]
    first = np.array(both_1 + only_1 + [0.0] * 5)
    second = np.array(both_2 + [0.0] * 4 + only_2)
    made = changed_or_replaced(rates_as_counts(first), rates_as_counts(second))
    assert (made.within.players, made.between.players, made.joined.players) == (5, 9, 14)
    welch = stats.ttest_ind(np.log(only_1), np.log(only_2), equal_var=False)
    assert made.between.compared.p == pytest.approx(welch.pvalue, rel=1e-6)
    logs = [np.log(each.compared.ratio.estimate) for each in (made.within, made.between, made.joined)]
    assert min(logs[:2]) < logs[2] < max(logs[:2])
    # Nearer to the more precise.
    assert abs(logs[2] - logs[0]) < abs(logs[2] - logs[1])
    assert made.within.compared.log_se < made.between.compared.log_se


def test_what_is_joined_is_no_surer_than_its_parts_are_alike():
    # The external error of a weighted mean, from the scatter of its parts (Birge 1932).
    both_1, both_2 = [4.0, 2, 7, 3, 5], [2.1, 1.2, 3, 1.7, 2.9]
    only_1, only_2 = [2.0, 1.1, 2.6, 1.4], [1.6, 1.0, 2.2, 0.9, 1.7]
    made = changed_or_replaced(
        rates_as_counts(both_1 + only_1 + [0.0] * 5), rates_as_counts(both_2 + [0.0] * 4 + only_2)
    )
    parts = [each.compared for each in (made.within, made.between)]
    logs, weights = (np.array(x) for x in ([np.log(p.ratio.estimate) for p in parts], [p.log_se**-2 for p in parts]))
    mean = weights @ logs / weights.sum()
    external = np.sqrt(weights @ (logs - mean) ** 2 / weights.sum())
    assert external > weights.sum() ** -0.5
    assert external <= made.joined.compared.log_se < 1.2 * external


def test_change_by_replacement_is_not_joined():
    rng = np.random.default_rng(4)
    level = np.exp(0.1 * rng.normal(size=24))
    first, second = 6.0 * level, 2.0 * level[::-1]
    first[:8] = second[:8] = level[:8] * 4
    first[16:], second[8:16] = 0.0, 0.0
    made = changed_or_replaced(rates_as_counts(first), rates_as_counts(second))
    assert made.within.compared.ratio.estimate == pytest.approx(1.0, abs=0.01)
    assert made.between.compared.ratio.estimate == pytest.approx(3.0, rel=0.2)
    assert made.differ_p < 0.01
    assert made.joined is None


def test_too_few_players_give_no_evidence():
    made = changed_or_replaced(rates_as_counts([3, 4, 5, 2, 0]), rates_as_counts([1, 2, 2, 0, 3]))
    assert (made.within, made.between, made.joined, made.differ_p) == (None, None, None, None)
