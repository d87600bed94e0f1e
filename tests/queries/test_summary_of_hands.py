"""Views of hand practice: made rows in, expected rows out, each worked by hand."""

import pytest

from pipeline.stats.rates import pooled_spread, rate_interval
from tests.helpers.made_rows import database, joined, rows, slide, small

TRANSITIONS = {"x1": (1, 2, 3, 4), "x2": (1, 2)}
# Of each transition: probability of a shift, and of a shift along one string (the chance to slide), over the likely
# readings of the speed.
SHIFTS = {
    ("x1", 1): (0.9, 0.8),
    ("x1", 2): (0.6, 0.5),
    ("x1", 3): (0.2, 0.1),
    ("x1", 4): (0.7, 0.6),
    ("x2", 1): (0.5, 0.4),
    ("x2", 2): (0.0, 0.0),
}


def _way(slide_id: str, rank: int, string: str, places: tuple[int, int], probability: float, **other: object) -> dict:
    fingers = {"from_finger": 1, "to_finger": 4} | other
    return {
        "slide_id": slide_id, "rank": rank, "speed_rank": 1, "speed_share": 1.0, "transfer_id": "x1", "take_id": "t1",
        "string": string, "from_position": places[0], "to_position": places[1], "probability": 0.5,
        "passage_probability": probability, **fingers,
    }  # fmt: skip


@pytest.fixture(scope="module")
def con():
    """Ann (x1): slides at 1 s and 2 s, the first by the starting finger, the second by the arriving finger."""
    made = small()
    made["slide"] = [
        slide("x1", "t1", 1.0, kind="departing_finger", p_same_finger=0.0, p_departing_finger=1.0),
        slide("x1", "t1", 2.0, cents=-500.0, kind="arriving_finger", p_same_finger=0.0, p_arriving_finger=1.0),
        slide("x1", "t1", 3.0, kind="departing_finger", p_same_finger=0.0, p_departing_finger=1.0),
    ]
    hands = [
        {
            "transition_id": f"{side}-t{1000 * at + 200}", "transfer_id": side, "take_id": "t" + side[1],
            "speed_rank": rank, "speed_share": share, "shift_probability": times * shift,
            "chance_probability": times * chance, "heard": False,
        }
        for (side, at), (shift, chance) in SHIFTS.items()
        for rank, share, times in ((1, 0.75, 1.1), (2, 0.25, 0.7))  # weighed together: 1
    ]  # fmt: skip
    ways = [
        _way("x1-s1000", 1, "E", (1, 3), 0.7),
        _way("x1-s1000", 2, "A", (5, 7), 0.3),
        _way("x1-s2000", 1, "E", (3, 1), 0.6),
        _way("x1-s2000", 2, "E", (3, 1), 0.2, from_finger=2),
        _way("x1-s2000", 3, "D", (2, 2), 0.2),  # no shift of position
        # by another reading of the speed it may begin on an open string, which slides nowhere: 0.75 + 0.25 * 0.6 = 0.9
        _way("x1-s3000", 1, "E", (1, 3), 1.0, speed_share=0.75),
        _way("x1-s3000", 1, "E", (1, 3), 0.6, speed_share=0.25, speed_rank=2),
        _way("x1-s3000", 2, "E", (1, 3), 0.4, speed_share=0.25, speed_rank=2, from_finger=0),
    ]
    hands = {"transition_hand": hands, "slide_hand": ways, "fingering_match": _matches()}
    return database(results=("shift_share",), **joined(made, hands | {"chord_fingering_match": _chords()}))


def _matches() -> list[dict]:
    lines = [
        # number, note found, verdict, printed shift, its verdict, slide marked, slide heard
        (1, "x1-n1000", "agree", True, "agree", True, True),
        (2, "x1-n2000", "differ", True, "differ", False, True),
        (3, "x1-n3000", "agree", False, "agree", False, False),
        (4, "x1-n4000", "cannot_tell", None, "not_printed", None, False),
        (5, None, "not_found", True, "not_found", True, None),
        (6, "x1-n1200", "not_printed", None, "not_printed", False, False),
    ]
    return [
        {
            "transfer_id": "x1", "take_id": "t1", "edition": "made up", "note_number": number, "time_through": 1,
            "note_id": note,
            "printed_midi": 70.0, "verdict": verdict, "printed_shift": shift, "shift_verdict": of_shift,
            "slide_marked": marked, "slide_heard": heard,
        }
        for number, note, verdict, shift, of_shift, marked, heard in lines
    ]  # fmt: skip


def _chords() -> list[dict]:
    lines = [
        # event, time through, chord found, verdict; each of two notes
        (7, 1, "x1-c700", "agree"),
        (7, 2, "x1-c1700", "differ"),
        (8, 1, "x1-c800", "not_printed"),
        (9, 1, None, "not_found"),
    ]
    return [
        {
            "transfer_id": "x1", "take_id": "t1", "edition": "made up", "event": event, "note_number": 2 * event + i,
            "time_through": time, "chord_id": chord, "printed_midi": 70.0, "verdict": verdict,
        }
        for event, time, chord, verdict in lines
        for i in range(2)
    ]  # fmt: skip


FINGERS = ("direction", "slides", "departing_finger", "arriving_finger", "same_finger", "share_departing_finger")


def test_which_finger_slides_by_player_and_direction(con):
    assert rows(con, "summary.fingers_by_player", "player_id", *FINGERS, "share_arriving_finger") == [
        ("ann", "falling", 1, 0, 1, 0, 0.0, 1.0),
        ("ann", "rising", 2, 2, 0, 0, 1.0, 0.0),
    ]


def test_which_finger_slides_by_school_and_period(con):
    assert rows(con, "summary.fingers_by_school", "scheme", "school_id", *FINGERS) == [
        ("towns", "north", "falling", 1, 0, 1, 0, 0.0),
        ("towns", "north", "rising", 2, 2, 0, 0, 1.0),
    ]
    # Ann's take may be of either period.
    assert rows(con, "summary.fingers_by_period", "scheme", "period_id", *FINGERS) == [
        ("halves", "uncertain", "falling", 1, 0, 1, 0, 0.0),
        ("halves", "uncertain", "rising", 2, 2, 0, 0, 1.0),
    ]


SHIFT_COLUMNS = ("transitions", "shifts", "chances", "heard", "silent", "share_heard", "slurred_chances")


def test_shifts_heard_against_shifts_made_silently(con):
    # Ann: chances 0.8 + 0.5 + 0.1 + 0.6 = 2.0, of which the first three were heard: 1.4. All her notes are slurred.
    ann = (4, 2.4, 2.0, 1.4, 0.6, 0.7, 2.0)
    bo = (2, 0.5, 0.4, 0.0, 0.4, 0.0, 0.0)
    found = rows(con, "summary.shifts_by_player", "player_id", *SHIFT_COLUMNS)
    assert found == [("ann", *map(pytest.approx, ann)), ("bo", *map(pytest.approx, bo))]
    found = rows(con, "summary.shifts_by_school", "school_id", *SHIFT_COLUMNS)
    half = (1, 0.25, 0.2, 0.0, 0.2, 0.0, 0.0)
    assert found == [
        ("north", *map(pytest.approx, ann)),
        ("south", *map(pytest.approx, half)),
        ("unplaced", *map(pytest.approx, half)),
    ]
    found = rows(con, "summary.shifts_by_period", "period_id", *SHIFT_COLUMNS)
    assert found == [("late", *map(pytest.approx, bo)), ("uncertain", *map(pytest.approx, ann))]


def test_silent_shifts_have_limits_by_sessions_and_by_players(con):
    columns = ("share_silent", "share_silent_low", "share_silent_high", "cluster_unit", "clusters")

    def expected(silent: float, chances: float, pool: list[tuple], unit: str) -> tuple[object, ...]:
        made = rate_interval([silent], [chances], seed=(1,), pooled=pooled_spread(pool), most=1.0)
        assert made is not None
        assert made.high - made.low > 0.2
        return *map(pytest.approx, (silent / chances, made.low, made.high)), unit, 1

    sessions = [([0.6], [2.0]), ([0.4], [0.4])]  # one each, which tell no spread between sessions
    assert rows(con, "summary.shifts_by_player", "player_id", *columns) == [
        ("ann", *expected(0.6, 2.0, sessions, "session")),
        ("bo", *expected(0.4, 0.4, sessions, "session")),
    ]
    players = [([0.6, 0.4], [2.0, 0.4])]
    found = rows(con, "summary.shifts_by_school", "school_id", *columns)
    assert found[0] == ("north", *expected(0.6, 2.0, players, "player"))


def test_strings_and_positions_preferred_for_a_shift(con):
    columns = (
        "instrument",
        "string",
        "from_position",
        "to_position",
        "direction",
        "slides",
        "share_of_slides",
        "players",
    )
    # In all 0.7 + 0.3 + 0.8 + 0.9 = 2.7 slides that move the hand between positions; the A string is never likely.
    assert rows(con, "summary.shifts_by_string_and_position", *columns) == [
        ("violin", "A", 5, 7, "rising", pytest.approx(0.3), pytest.approx(0.3 / 2.7), 0),
        ("violin", "E", 1, 3, "rising", pytest.approx(1.6), pytest.approx(1.6 / 2.7), 1),
        ("violin", "E", 3, 1, "falling", pytest.approx(0.8), pytest.approx(0.8 / 2.7), 1),
    ]


def test_a_fingering_against_an_edition(con):
    columns = (
        *("work_id", "edition", "take_id", "printed_notes", "found_notes", "fingered_notes", "agree", "differ"),
        *("cannot_tell", "share_agree", "printed_shifts", "shifts_agree", "shifts_differ", "printed_shifts_heard"),
        *("slides_marked", "slides_marked_heard", "slides_not_marked"),
        *("printed_chords", "found_chords", "chords_agree", "chords_differ", "chords_cannot_tell"),
    )
    assert rows(con, "summary.fingering_against_edition", *columns) == [
        ("air", "made up", "t1", 6, 5, 4, 2, 1, 1, pytest.approx(2 / 3), 3, 1, 1, 2, 2, 1, 1, 4, 3, 1, 1, 0)
    ]
