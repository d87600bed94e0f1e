"""Takes and players are counted once, whatever the number of rows."""

from pipeline.answers.counts import counts, with_soloists
from pipeline.counted import counted


def test_a_take_of_two_players_is_one_take_and_nobody_is_no_player() -> None:
    found = counts([("t1", "ann"), ("t1", "bo"), ("t2", "bo"), ("t3", None)])
    assert (found.takes, found.players) == (3, 2)
    assert found.words() == "3 takes of 2 players"
    assert counts([("t1", None)]).words() == "1 take of 0 players"
    assert counted(1200, "slide") == "1,200 slides"
    # Takes may count by their shares.
    assert [counted(n, "take") for n in (0, 1, 1.0, 1.5)] == ["0 takes", "1 take", "1 take", "1.5 takes"]


def test_who_plays_on_a_take_that_counts_for_nobody_is_counted() -> None:
    playing = [("t1", "ann", "soloist"), ("t2", "ann", None), ("t2", "bo", "soloist"), ("t2", "cy", "accompanist")]
    rows = [dict(zip(("take_id", "player_id", "role"), row, strict=True)) for row in playing]
    assert counts(with_soloists([("t1", "ann"), ("t2", None), ("t3", None)], rows)).words() == "3 takes of 2 players"
