"""Places of the written part in the layers ``stage`` and ``fact``: made rows in, expected rows out."""

import math
from typing import Any

import pytest

from tests.helpers.made_rows import facts, joined, rows
from tests.helpers.played_part import EDITION, PLACES, part, take, two_takes


def test_places_are_the_steps_of_the_reference_edition() -> None:
    con = facts(**joined(two_takes(), part("Zorn 1911", fingers={2: 4})))
    made = rows(con, "fact.written_place", "written_place_id", "from_event", "bar", "to_bar", "interval_semitones")
    assert made == [
        ("air-1-1-1", 1, "1", "1", 4.0),
        ("air-1-2-1", 2, "1", "2", 1.0),
        ("air-2-1-1", 3, "2", "2", 4.0),
        ("air-2-2-1", 4, "2", "3", 0.0),
        ("air-3-1-1", 5, "3", "3", -2.0),
    ]
    flags = rows(con, "fact.written_place", "written_place_id", "is_chance", "is_chord", "to_is_chord", "slide_marked")
    assert flags[0] == ("air-1-1-1", True, False, False, True)
    assert flags[2] == ("air-2-1-1", True, True, False, False)
    assert flags[3] == ("air-2-2-1", False, False, False, False)
    printed = rows(con, "fact.written_place_printed", "written_place_id", "edition", "from_finger", "to_finger")
    assert printed[:4] == [
        ("air-1-1-1", "Wrack 1897", 1, 3),
        ("air-1-1-1", "Zorn 1911", None, 4),
        ("air-1-2-1", "Wrack 1897", 3, 1),
        ("air-1-2-1", "Zorn 1911", 4, None),
    ]


def test_each_place_has_an_outcome_in_each_take() -> None:
    con = facts(**two_takes())
    assert rows(con, "fact.written_place_take", "take_id", "written_place_id", "time_through", "outcome", "reason") == [
        ("t1", PLACES[0], 1, "slid", None),
        # Of the chord the lower note was found.
        ("t1", PLACES[1], 1, "cannot_tell", "other_voice"),
        ("t1", PLACES[2], 1, "cannot_tell", "place_unsure"),
        ("t1", PLACES[3], 1, "not_slid", None),
        # The slide comes out of an ornament between the two notes.
        ("t2", PLACES[0], 1, "slid", None),
        ("t2", PLACES[0], 2, "not_slid", None),
        ("t2", PLACES[1], 1, "not_slid", None),
        ("t2", PLACES[1], 2, "not_slid", None),
        ("t2", PLACES[2], 1, "not_reached", "passed_by"),
        ("t2", PLACES[3], 1, "not_reached", "passed_by"),
    ]
    told = rows(con, "fact.written_place_take", "take_id", "player_id", "slide_id", "duration_ms", "weight", "p_slid")
    assert told[0][:5] == ("t1", "ann", "x-t1-s1", 101.0, 0.99)
    assert told[0][5] == 0.9
    assert (told[4][2], told[4][4]) == ("x-t2-s2", 0.99)
    unslid = [row for row in told if row[2] is None and row[4] > 0]
    assert [row[5] for row in unslid] == pytest.approx([1 / (1 + math.exp(4))] * 4)
    assert [row[4] for row in told if row[5] is None] == [0.0] * 4


def reviewed(take_id: str, at: float, verdict: str) -> dict[str, Any]:
    """A listener's word on what lies at a time of a take."""
    own = {"transfer_id": f"x-{take_id}", "samples_sha256": "a" * 64}
    heard = {"listener": "lee", "judged_on": "2026-01-01", "verdict": verdict}
    run = own | {"step": "intake", "outcome": "done"}
    return {"review": [own | heard | {"transfer_start_s": at - 0.1, "transfer_end_s": at + 0.1}], "run": [run]}


def _heard(take_id: str, *events: int) -> dict[str, Any]:
    """Events of the first run that only the pitch line has."""
    own = {"transfer_id": f"x-{take_id}", "take_id": take_id, "edition": EDITION, "run": 1}
    return {"written_heard": [own | {"event": event} for event in events]}


@pytest.fixture(scope="module")
def odd() -> Any:
    """Takes with something odd about one place each."""
    rested, into = take("rested", "ann", [1, 2]), take("into", "ann", [1, 2], slides=(1,))
    rested["transition"][0]["exposure"] = False
    into["transition"][0]["exposure"] = False
    into["slide"][0] |= {"from_note_id": None, "kind": "into_note"}
    other = take("other", "ann", [1, 2])
    other["written_fit"][0]["state"] = "not_this_work"
    return facts(
        **joined(
            part(),
            take("missing", "ann", [1, 3, 4, 5, 6]),
            joined(take("line", "ann", [1, 3]), _heard("line", 2, 4)),
            rested,
            into,
            other,
            take("unsure", "ann", [1, 2], score=0.0),
            take("short", "ann", [1, 2, 3, 4], span_to=2.5),
            take("denied", "ann", [1, 2, 3, 4], slides=(1,)),
            reviewed("denied", 2.0, "no_slide"),
            take("doubted", "ann", [1, 2, 3, 4], slides=(1,)),
            reviewed("doubted", 2.0, "cannot_tell"),
            take("added", "ann", [1, 2, 3, 4]),
            reviewed("added", 4.0, "slide"),
        )
    )


@pytest.mark.parametrize(
    ("take_id", "place", "expected"),
    [
        # A note within a run was not found.
        ("missing", 0, ("cannot_tell", "note_missing", False)),
        ("missing", 2, ("not_slid", None, False)),
        # Of the note there is only the line, within the notes found and after them; the rest is not come by.
        ("line", 0, ("cannot_tell", "line_only", False)),
        ("line", 1, ("cannot_tell", "line_only", False)),
        ("line", 2, ("cannot_tell", "line_only", False)),
        ("line", 3, ("not_reached", "passed_by", False)),
        ("rested", 0, ("cannot_tell", "rest", False)),
        # A slide out of silence is none from the note before.
        ("into", 0, ("cannot_tell", "rest", True)),
        # Even odds that something is a slide.
        ("unsure", 0, ("cannot_tell", "slide_unsure", False)),
        # Outside the counted solo nothing is reached.
        ("short", 0, ("not_slid", None, False)),
        ("short", 1, ("not_reached", "not_counted", False)),
        # Listeners have the last word; those who cannot tell leave what was found.
        ("denied", 0, ("not_slid", None, False)),
        ("doubted", 0, ("slid", None, False)),
        ("added", 2, ("slid", None, False)),
        # Other music has no places.
        ("other", 0, None),
    ],
)
def test_why_a_place_cannot_be_told(odd: Any, take_id: str, place: int, expected: tuple[Any, ...] | None) -> None:
    sql = "select outcome, reason, slid_into from fact.written_place_take where take_id = ? and written_place_id = ?"
    assert odd.execute(sql, [take_id, PLACES[place]]).fetchall() == ([expected] if expected else [])


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ({}, ("cannot_tell", "repeat_unsure")),
        # A repeat is written there; elsewhere; a person has decided.
        ({"written_way": [{"from_event": 4, "to_event": 1, "way": "repeat"}]}, ("not_slid", None)),
        ({"written_way": [{"from_event": 6, "to_event": 5, "way": "repeat"}]}, ("cannot_tell", "repeat_unsure")),
        ({"decided": True}, ("not_slid", None)),
    ],
)
def test_a_few_notes_that_go_with_the_part_once_more_are_no_time_through_unless_a_repeat_is_written(
    said: dict[str, Any], expected: tuple[str, str | None]
) -> None:
    again = take("again", "bo", [1, 2, 3, 4, 5, 6, 1, 2, 3], run_begins=(0, 6))
    for row in again["written_match"][6:]:
        row["time_through"] = 2
    again["written_match"][7]["decided"] = said.get("decided", False)
    ways = [{"work_id": "air", "edition": EDITION} | way for way in said.get("written_way", ())]
    con = facts(**joined(part(), again, {"written_way": ways}))
    sql = "select outcome, reason from fact.written_place_take where time_through = 2 and written_place_id = ?"
    assert con.execute(sql, [PLACES[0]]).fetchall() == [expected]
    bars = con.execute("select run from fact.bar_played where bar_index = 1 order by run").fetchall()
    assert bars == ([(1,), (2,)] if expected[1] is None else [(1,)])


def test_bars_played_whole_as_counted_solo_hold_the_slides_that_lead_into_them() -> None:
    con = facts(
        **joined(
            two_takes(),
            # A slide into an ornament is one of the next written note; one past the last is in no bar.
            take("graced", "ann", [1, 2, None, 3, 4, None], slides=(2, 5)),
            # The second bar ends outside the counted solo, and only the line passes through a note of the first.
            joined(take("short", "ann", [1, 3, 4], span_to=2.5), _heard("short", 2)),
        )
    )
    made = rows(con, "fact.bar_played", "take_id", "run", "work_id", "bar_index", "bar", "player_id", "slides")
    assert made == [
        ("graced", 1, "air", 1, "1", "ann", 0),
        ("graced", 1, "air", 2, "2", "ann", 1),
        ("short", 1, "air", 1, "1", "ann", 0),
        ("t1", 1, "air", 1, "1", "ann", 1),
        ("t1", 1, "air", 2, "2", "ann", 0),
        ("t1", 1, "air", 3, "3", "ann", 0),
        # Twice through the first bar, and into the second without its end.
        ("t2", 1, "air", 1, "1", "bo", 1),
        ("t2", 2, "air", 1, "1", "bo", 0),
    ]
    assert rows(con, "fact.take_tally", "take_id", "bars", "bar_slides") == [
        ("graced", 2, 1), ("short", 1, 0), ("t1", 3, 1), ("t2", 2, 1),
    ]  # fmt: skip


def test_a_bar_of_two_players_is_nobodys_and_a_rejected_find_stays_one() -> None:
    shared = take("both", "ann", [1, 2, 3, 4], slides=(1,))
    shared["solo_span"][0] |= {"transfer_end_s": 2.9, "end_s": 2.9}
    other = {"player_id": "bo", "transfer_start_s": 2.9, "start_s": 2.9, "transfer_end_s": 9.0, "end_s": 9.0}
    shared["solo_span"].append(shared["solo_span"][0] | other)
    split = take("split", "ann", [1, 2, 3, 4])
    split["solo_span"] = [
        split["solo_span"][0] | {"transfer_end_s": 3.5, "end_s": 3.5},
        split["solo_span"][0] | {"player_id": "bo", "transfer_start_s": 3.5, "start_s": 3.5},
    ]
    con = facts(**joined(part(), shared, split, reviewed("both", 2.0, "no_slide")))
    made = rows(con, "fact.bar_played", "take_id", "bar_index", "player_id", "slides")
    assert made == [("both", 1, "ann", 1), ("both", 2, "bo", 0), ("split", 1, "ann", 0)]
