"""The head of the overview page: one count, and minutes that divide or are said not to."""

from pipeline.pages.overview import _subheading

TOTALS = {
    "slides": 1.0, "transitions": 26.0, "minutes": 0.8, "takes_of_unmeasurable_speed": 1.0,
    **{f"slides_per_minute{end}": value for end, value in (("", 1.6), ("_low", 0.1), ("_high", 9.0))},
    **{f"slides_per_100_transitions{end}": value for end, value in (("", 3.8), ("_low", 0.2), ("_high", 20.0))},
}  # fmt: skip


def test_a_rate_that_leaves_out_a_take_says_so() -> None:
    said = _subheading([TOTALS])
    assert said.startswith("1 slide in 26 transitions, 0.8 minutes of solo: 1.6 ")
    assert "a minute (without 1 take whose speed cannot be told)" in said
    assert "without" not in _subheading([TOTALS | {"takes_of_unmeasurable_speed": 0.0}])
