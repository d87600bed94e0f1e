"""Views of the layer ``fact``: made rows in, expected rows out."""

import pytest

from tests.helpers.made_rows import chances, database, facts, joined, rows, side, slide, small, solo

COUNTS = ("take_id", "player_id", "state", "minutes", "transitions", "slurred_transitions", "slides", "slurred_slides")


def test_take_tally_counts_zero_as_zero_and_leaves_the_unjudged_empty():
    made = rows(facts(**small()), "fact.take_tally", *COUNTS, "slides_per_minute", "slides_per_100_transitions")
    assert made == [
        ("t1", "ann", "judged", 2.0, 4, 4, 2, 2, 1.0, 50.0),
        ("t2", "bo", "judged", 1.0, 2, 0, 0, 0, 0.0, 0.0),
        ("t3", "bo", "not_judged", None, None, None, None, None, None, None),
    ]
    reasons = rows(facts(**small()), "fact.take_tally", "take_id", "reason", "certainty", "weight")
    assert reasons == [
        ("t1", None, "certain", 1.0),
        ("t2", None, "probable", 1.0),
        ("t3", "a voice plays too", "certain", 1.0),
    ]


def test_a_second_transfer_of_a_take_changes_nothing():
    copy = joined(
        side("x9", "t1"),
        chances("x9", "t1", [1.0, 2.0, 3.0]),
        {"solo_span": [solo("x9", "t1", "ann", to=100)], "slide": [slide("x9", "t1", 1.0), slide("x9", "t1", 9.0)]},
    )
    once, twice = (database("player", **tables) for tables in (small(), joined(small(), copy)))
    for view in ("fact.take_tally", "fact.slide", "fact.transition", "summary.slides_by_player"):
        assert rows(once, view, "*") == rows(twice, view, "*")
    assert twice.execute("select count(*) from base.slide").fetchall() == [(4,)]


def test_unmeasurable_speed_leaves_rates_per_minute_only():
    tables = joined(small(), {"speed": [{"transfer_id": "x1", "state": "unmeasurable", "speed_ratio": 1.0}]})
    columns = ("minutes", "timed_minutes", "slides", "timed_found_slides", "slides_per_minute")
    assert rows(facts(**tables), "fact.take_tally", "take_id", *columns)[0] == ("t1", 2.0, 0.0, 2, 0, None)
    ambiguous = joined(small(), {"speed": [{"transfer_id": "x1", "state": "ambiguous", "speed_ratio": 1.0}]})
    made = rows(facts(**ambiguous), "fact.take_tally", "take_id", "has_ambiguous_speed", "slides_per_minute")
    assert made[0] == ("t1", True, 1.0)


def test_passages_give_each_player_the_own_slides_and_minutes():
    # One file: speech, Ann, piano alone, Bo. A slide in the speech and one in the piano belong to nobody.
    tables = joined(
        small(),
        side("x4", "t4"),
        chances("x4", "t4", [20.0, 50.0, 100.0]),
        {
            "take": [{"take_id": "t4"}],
            "performance": [
                {"take_id": "t4", "player_id": who, "instrument": "violin", "certainty": "certain"}
                for who in ("ann", "bo")
            ],
            "solo_span": [
                solo("x4", None, None, start=0, to=10, content="speech", counted=False),
                solo("x4", "t4", "ann", start=10, to=40),
                solo("x4", None, None, start=40, to=90, content="accompaniment_only", counted=False),
                solo("x4", "t4", "bo", start=90, to=105),
            ],
            "slide": [slide("x4", "t4", at) for at in (5.0, 20.0, 50.0, 100.0, 102.0)],
        },
    )
    con = facts(**tables)
    columns = ("player_id", "minutes", "transitions", "slides")
    made = con.execute(f"select {', '.join(columns)} from fact.take_tally where take_id = 't4' order by all").fetchall()
    assert made == [("ann", 0.5, 1, 1), ("bo", 0.25, 1, 2)]
    owners = con.execute("select slide_id, player_id from fact.slide where take_id = 't4' order by all").fetchall()
    assert owners == [("x4-s100000", "bo"), ("x4-s102000", "bo"), ("x4-s20000", "ann")]


def test_two_takes_on_one_side_keep_their_slides():
    tables = joined(
        side("x1", "t1"),
        {
            "side_take": [{"side_id": "x1", "take_id": "t2"}],
            "take": [{"take_id": "t1"}, {"take_id": "t2"}],
            "solo_span": [solo("x1", "t1", "ann", to=30), solo("x1", "t2", "ann", start=30, to=90)],
            "slide": [slide("x1", "t1", 29.0), slide("x1", "t2", 31.0), slide("x1", "t2", 32.0)],
        },
    )
    assert rows(facts(**tables), "fact.take_tally", "take_id", "minutes", "slides") == [
        ("t1", 0.5, 1),
        ("t2", 1.0, 2),
    ]


def test_verdicts_change_the_counts_and_both_stay():
    heard = {"transfer_id": "x1", "listener": "lee", "judged_on": "2026-01-01", "samples_sha256": "a" * 64}
    tables = joined(
        small(),
        {
            "review": [
                {**heard, "transfer_start_s": 1.0, "transfer_end_s": 1.2, "verdict": "no_slide"},
                {**heard, "transfer_start_s": 2.0, "transfer_end_s": 2.2, "verdict": "cannot_tell"},
                {**heard, "transfer_start_s": 50.0, "transfer_end_s": 50.3, "verdict": "slide"},
            ]
        },
    )
    columns = ("slides", "found_slides", "reviewed_slides", "rejected_slides", "undecided_slides", "added_slides")
    assert rows(facts(**tables), "fact.take_tally", "take_id", *columns)[0] == ("t1", 2, 2, 3, 1, 1, 1)


def test_facts_of_slides_and_transitions():
    con = facts(**small())
    assert rows(con, "fact.slide", "slide_id", "player_id", "direction", "semitones", "is_slurred") == [
        ("x1-s1000", "ann", "rising", 3, True),
        # The size is that of the transition, so that slides and chances of a size go together.
        ("x1-s2000", "ann", "falling", 3, True),
    ]
    assert rows(con, "fact.transition", "transition_id", "player_id", "has_slide", "slide_id") == [
        ("x1-t1200", "ann", True, "x1-s1000"),
        ("x1-t2200", "ann", True, "x1-s2000"),
        ("x1-t3200", "ann", False, None),
        ("x1-t4200", "ann", False, None),
        ("x2-t1200", "bo", False, None),
        ("x2-t2200", "bo", False, None),
    ]


def test_transitions_that_are_no_chance_do_not_count():
    tables = small()
    tables["transition"][0]["exposure"] = False
    assert rows(facts(**tables), "fact.take_tally", "take_id", "transitions", "slides")[0] == ("t1", 3, 2)


def members(*memberships, schools=("north", "south")):
    con = facts(
        player=[{"player_id": "ann", "name": "Ann"}],
        school=[{"school_id": s, "scheme": "towns", "name": s} for s in schools],
        school_membership=[{"player_id": "ann", "school_id": s, "share": share} for s, share in memberships],
    )
    return {
        school: share
        for player, school, share in rows(con, "fact.school_member", "player_id", "school_id", "share")
        if player == "ann"
    }


def test_school_shares_sum_to_one():
    assert members() == {"unplaced": 1.0}
    assert members(("north", None)) == {"north": 1.0}
    assert members(("north", None), ("south", None)) == {"north": 0.5, "south": 0.5}
    assert members(("north", 0.75), ("south", None)) == {"north": 0.75, "south": 0.25}
    assert members(("north", 0.25)) == {"north": 0.25, "unplaced": 0.75}
    # Shares that sum to more than 1 are reported by a check, and scaled.
    assert members(("north", 0.9), ("south", 0.9)) == {"north": pytest.approx(0.5), "south": pytest.approx(0.5)}
    assert members(("north", 1.0), ("south", None)) == {"north": 1.0}


def periods(recorded, *, session=None, period=None, **other):
    con = facts(
        period=period or small()["period"],
        take=[{"take_id": "t1", "recorded": recorded, "session_id": "s1" if session else None}],
        session=[{"session_id": "s1", "recorded": session}] if session else [],
        **other,
    )
    return dict(rows(con, "fact.take_period", "period_id", "share"))


@pytest.mark.parametrize(
    ("recorded", "certain"),
    [
        ("1905", {"early": True}),
        ("1909/1910", {"early": False, "late": False}),
        ("1919/1928", {"late": False, "outside": False}),
        ("1925", {"outside": True}),
        (None, {"undated": True}),
    ],
)
def test_a_take_is_certainly_of_what_all_its_days_lie_in(recorded, certain):
    con = facts(period=small()["period"], take=[{"take_id": "t1", "recorded": recorded}])
    assert dict(rows(con, "fact.take_period", "period_id", "is_certain")) == certain


def test_a_take_counts_in_periods_by_its_share_of_days():
    assert periods("1905") == {"early": 1.0}
    assert periods("1905~") == {"early": 1.0}
    assert periods("1909/1910") == {"early": 0.5, "late": 0.5}
    assert periods("1909-12-31/1910-01-02") == {"early": pytest.approx(1 / 3), "late": pytest.approx(2 / 3)}
    # Ten years from 1919 on: 365 of 3653 days.
    assert periods("1919/1928") == {"late": pytest.approx(365 / 3653), "outside": pytest.approx(3288 / 3653)}
    assert periods("1890") == {"outside": 1.0}
    assert periods(None) == {"undated": 1.0}
    assert periods(None, session="1912") == {"late": 1.0}
    assert periods("1905", session="1912") == {"early": 1.0}


def test_open_ends_are_closed_by_a_named_rule_only():
    assert periods("1908/..") == {"undated": 1.0}
    assert periods("/1908") == {"undated": 1.0}
    dead = {
        "player": [{"player_id": "ann", "name": "Ann", "died": "1909-12-31"}],
        "performance": [{"take_id": "t1", "player_id": "ann", "certainty": "certain"}],
    }
    assert periods("1908/..", **dead) == {"early": 1.0}
    con = facts(period=small()["period"], take=[{"take_id": "t1", "recorded": "1908/.."}], **dead)
    assert rows(con, "fact.take_period", "closed_by") == [("death of the player",)]
    published = {
        "side": [{"side_id": "x1", "published": "1911"}],
        "side_take": [{"side_id": "x1", "take_id": "t1"}],
    }
    # 1908 to 1911: 731 days of 1461 in the early period.
    assert periods("1908/", **published) == {"early": pytest.approx(731 / 1461), "late": pytest.approx(730 / 1461)}
    # A death before the recording began closes nothing.
    assert periods("1912/..", **dead) == {"undated": 1.0}


def test_splitting_a_period_leaves_sums_unchanged():
    halves = [
        {"period_id": f"p{n}", "scheme": "finer", "name": str(n), "span": span}
        for n, span in enumerate(("1900/1904", "1905/1909-06", "1909-07/1909", "1910/1919"))
    ]
    con = database(**joined(small(), {"period": halves}))
    sums = con.execute(
        "select period_scheme, sum(takes), sum(slides), sum(minutes) from "
        "(select scheme as period_scheme, * from summary.slides_by_period) group by 1 order by 1"
    ).fetchall()
    assert [row[1:] for row in sums] == [pytest.approx((3.0, 2.0, 3.0))] * 2


def test_years_and_cohorts_by_share_of_days():
    con = facts(**small())
    assert rows(con, "fact.take_year", "take_id", "year", "share") == [
        ("t1", 1909, 0.5), ("t1", 1910, 0.5), ("t2", 1912, 1.0), ("t3", None, 1.0),
    ]  # fmt: skip
    assert rows(con, "fact.player_cohort", "player_id", "cohort", "share") == [
        ("ann", "1880s", 1.0), ("bo", "1890s", 0.5), ("bo", "1900s", 0.5), (None, "unknown", 1.0),
    ]  # fmt: skip
