"""Places of the written part in the layers ``stage`` and ``fact``: made rows in, expected rows out."""

import math

import pytest

from tests.helpers.made_rows import facts, joined, rows
from tests.helpers.played_part import PLACES, part, take, two_takes


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


def outcome(place: str, **tables: list[dict[str, object]]) -> list[tuple[object, ...]]:
    con = facts(**tables)
    sql = "select outcome, reason, slid_into from fact.written_place_take where written_place_id = ?"
    return con.execute(sql, [place]).fetchall()


def test_a_note_not_found_within_a_run_cannot_be_told() -> None:
    missing = take("t1", "ann", [1, 3, 4, 5, 6])
    assert outcome(PLACES[0], **joined(part(), missing)) == [("cannot_tell", "note_missing", False)]
    assert outcome(PLACES[2], **joined(part(), missing)) == [("not_slid", None, False)]


def test_a_rest_and_something_like_a_slide_cannot_be_told() -> None:
    rested = joined(part(), take("t1", "ann", [1, 2]))
    rested["transition"][0]["exposure"] = False
    assert outcome(PLACES[0], **rested) == [("cannot_tell", "rest", False)]
    unsure = joined(part(), take("t1", "ann", [1, 2], score=0.0))
    assert outcome(PLACES[0], **unsure) == [("cannot_tell", "slide_unsure", False)]


def test_a_slide_out_of_silence_is_none_from_the_note_before() -> None:
    into = joined(part(), take("t1", "ann", [1, 2], slides=(1,)))
    into["slide"][0] |= {"from_note_id": None, "kind": "into_note"}
    into["transition"][0]["exposure"] = False
    assert outcome(PLACES[0], **into) == [("cannot_tell", "rest", True)]


def test_outside_the_counted_solo_nothing_is_reached() -> None:
    short = joined(part(), take("t1", "ann", [1, 2, 3, 4], span_to=2.5))
    assert outcome(PLACES[0], **short) == [("not_slid", None, False)]
    assert outcome(PLACES[1], **short) == [("not_reached", "not_counted", False)]


def test_listeners_have_the_last_word() -> None:
    heard = {"transfer_id": "x-t1", "listener": "lee", "judged_on": "2026-01-01", "samples_sha256": "a" * 64}
    run = {"run": [{"transfer_id": "x-t1", "step": "intake", "outcome": "done", "samples_sha256": "a" * 64}]}
    tables = joined(part(), take("t1", "ann", [1, 2, 3, 4], slides=(1,)), run)
    at = {"transfer_start_s": 1.9, "transfer_end_s": 2.1}
    denied = joined(tables, {"review": [{**heard, **at, "verdict": "no_slide"}]})
    assert outcome(PLACES[0], **denied) == [("not_slid", None, False)]
    unsure = joined(tables, {"review": [{**heard, **at, "verdict": "cannot_tell"}]})
    assert outcome(PLACES[0], **unsure) == [("cannot_tell", "slide_unsure", False)]
    at = {"transfer_start_s": 3.9, "transfer_end_s": 4.1}
    added = joined(tables, {"review": [{**heard, **at, "verdict": "slide"}]})
    assert outcome(PLACES[2], **added) == [("slid", None, False)]


def test_a_take_of_other_music_has_no_places() -> None:
    tables = joined(part(), take("t1", "ann", [1, 2]))
    tables["written_fit"][0]["state"] = "not_this_work"
    assert outcome(PLACES[0], **tables) == []
