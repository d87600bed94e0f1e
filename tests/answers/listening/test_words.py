"""Figures of listening checks in words: none is told on which too few verdicts stand."""

from types import SimpleNamespace

import pytest

from pipeline.answers.listening import words
from pipeline.answers.listening.alike import Alike, WithHimself
from pipeline.stats.intervals import Interval, wilson_interval


@pytest.mark.parametrize(
    ("heard", "of", "said"),
    [
        (5, 10, "too few to say (24–76 %)"),
        (0, 4, "too few to say (0–49 %)"),
        (0, 10, "0 % (0–28 %)"),
        (30, 60, "50 % (38–62 %)"),
    ],
)
def test_a_share_is_told_where_its_limits_are_near_enough(heard, of, said):
    assert words.told_share(wilson_interval(heard, trials=of)) == said
    assert ("few" in said) == words.too_few(wilson_interval(heard, trials=of))


def test_what_is_not_known_at_all_is_a_dash():
    assert words.told_share(Interval(float("nan"), 0.0, 1.0)) == "–"


def test_agreement_is_told_by_the_same_rule_and_under_the_names_given():
    alike = Alike(
        Interval(0.4, -0.1, 0.9), Interval(0.8, 0.7, 0.9), None, None, (WithHimself("lea", 1, Interval(1, 0.2, 1)),), ()
    )
    made = words.agreement_words(SimpleNamespace(alike=alike, kinds_right=None), {"lea": "listener-1"}.__getitem__)
    assert made == [
        "Verdicts of the two listeners, Cohen's kappa: too few to say (−0.10 to 0.90).",
        "Verdicts of the listeners, Krippendorff's alpha, nominal: 0.80 (0.70 to 0.90).",
        "listener-1 heard 1 excerpt twice and judged alike: too few to say (20–100 %).",
    ]
