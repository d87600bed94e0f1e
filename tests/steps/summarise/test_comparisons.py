"""Pairs of groups: each kind of evidence is there, with a number or with the reason why there is none."""

import pytest

from pipeline.steps.summarise.comparisons import Pair


def players(numbers: range, slides: float) -> dict[str, dict[str, float]]:
    return {f"p{k}": {"timed_slides": slides + k, "timed_minutes": 5.0} for k in numbers}


@pytest.mark.parametrize(
    ("first", "other", "said"),
    [
        (
            range(5),
            range(4, 9),
            {"within_players": "in both 1 of the 4 players that seeing them change needs", "between_players": None},
        ),
        (
            range(6),
            range(8),
            {
                "within_players": None,
                "between_players": "in the first group only none of the 4 players that seeing them replaced needs",
            },
        ),
    ],
)
def test_evidence_that_cannot_be_had_says_why(first: range, other: range, said: dict[str, str | None]) -> None:
    pair = Pair("period", "a/x", "a/y", "slides_per_minute", players(first, 6), players(other, 4), (None, None))
    rows = {row["evidence"]: row for row in pair.of_players()}
    assert {name: rows[name]["warning"] for name in said} == said
    assert all((rows[name]["ratio"] is None) == (warning is not None) for name, warning in said.items())


def test_players_of_two_schools_do_not_tell_of_a_change() -> None:
    pair = Pair(
        "school", "a/x", "a/y", "slides_per_minute", players(range(5), 6), players(range(4, 9), 4), (None, None)
    )
    assert "within_players" not in {row["evidence"] for row in pair.of_players()}


def test_groups_too_small_for_a_ratio_say_who_stands_in_both() -> None:
    pair = Pair(
        "period", "a/x", "a/y", "slides_per_minute", players(range(3), 6), players(range(2, 9), 4), (None, None)
    )
    assert pair.too_few_players()["warning"] == (
        "in the smaller group 3 of the 4 players that a ratio needs; in both 1 of the 4 players that seeing them "
        "change needs"
    )
