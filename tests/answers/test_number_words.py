"""Numbers in words: what is rounded, and what is never rounded away."""

import pytest

from pipeline.answers.number_words import (
    clock_words,
    count_words,
    minutes_words,
    probability_words,
    ratio_of_log_words,
    ratio_words,
    rounded,
    signed,
    with_limits,
    with_minus,
)


@pytest.mark.parametrize(
    ("probability", "words"),
    [(1.0, ">99 %"), (0.998, ">99 %"), (0.99, "99 %"), (0.704, "70 %"), (0.0042, "0.4 %"), (0.0, "<0.1 %")],
)
def test_no_probability_is_sure(probability: float, words: str) -> None:
    assert probability_words(probability) == words


def test_ratios_have_two_digits_and_an_end() -> None:
    ratios = (4e7, 1000.0, 37.4, 1.84, 1.06, 1.04, 1.0, 0.999, 0.35, 0.0012, 2.4e-5, float("inf"))
    assert [ratio_words(ratio) for ratio in ratios] == [
        ">1000",
        "1000",
        "37",
        "1.8",
        "1.1",
        ">1",
        "1",
        "<1",
        "0.35",
        "0.0012",
        "<0.001",
        ">1000",
    ]


def test_counts_and_minutes() -> None:
    assert [count_words(value) for value in (61, 60.999999, 2.0, 2.67)] == ["61", "61", "2", "2.7"]
    assert [minutes_words(value) for value in (0.1667, 1.0, 12.34)] == ["0.17", "1.00", "12.3"]


def test_places_in_time_are_told_to_the_millisecond() -> None:
    assert [clock_words(s) for s in (0.0, 59.9996, 62.345, -0.25)] == ["0:00.000", "1:00.000", "1:02.345", "−0:00.250"]


def test_decimals_follow_the_uncertainty() -> None:
    assert with_limits(31.43, 16.06, 55.33) == "31 (16–55)"
    assert with_limits(31.43, 16.06, 55.33, unit=" %") == "31 % (16–55 %)"
    assert with_limits(0.0, 0.0, 10.63) == "0.0 (0.0–10.6)"
    assert with_limits(16.2, 0.0, 524653.0) == "cannot tell"
    assert with_limits(31.43, None, None) == rounded(31.43) == "31.4"


def test_a_ratio_is_said_of_its_logarithm_however_large() -> None:
    assert [ratio_of_log_words(log) for log in (0.0, 1.08, -400.0, 400.0)] == ["1", "12", "<0.001", ">1000"]


def test_a_minus_is_no_hyphen() -> None:
    assert (signed(-61.42, 1), signed(4.0)) == ("−61.4", "+4")
    assert (rounded(-589.2), rounded(-3)) == ("−589", "−3")
    assert with_limits(-3.0, -5.1, 2.2) == "−3.0 (−5.1 to 2.2)"
    for text in ("fer-f-12-a-t1", "1907-09", "1902-3/1904-05", "16–55", "co-4"):
        assert with_minus(text) == text
    assert with_minus("taken as -12 cents (-5 to +3)") == "taken as −12 cents (−5 to +3)"
