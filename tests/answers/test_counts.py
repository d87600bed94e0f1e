"""Takes and players are counted once, whatever the number of rows."""

from pipeline.answers.counts import counted, counts


def test_a_take_of_two_players_is_one_take_and_nobody_is_no_player() -> None:
    found = counts([("t1", "ann"), ("t1", "bo"), ("t2", "bo"), ("t3", None)])
    assert (found.takes, found.players) == (3, 2)
    assert found.words() == "3 takes of 2 players"
    assert counts([("t1", None)]).words() == "1 take of 0 players"
    assert counted(1200, "slide") == "1,200 slides"
