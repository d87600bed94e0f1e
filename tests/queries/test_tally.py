"""Views of the layer ``tally``: made rows in, expected rows out; each worked by hand from the takes of ``small``."""

import duckdb
import pytest

from pipeline.store.database import views
from tests.helpers.made_rows import database, joined, rows, slide, small, solo, tallies


@pytest.fixture(scope="module")
def con():
    return tallies(**small())


def test_groupings_say_what_their_intervals_resample(con):
    made = dict(rows(con, "tally.grouping", "grouping", "cluster_unit"))
    assert {name for name, unit in made.items() if unit == "session"} == {"take", "player", "work_and_player"}
    # Every grouping that takes fall into is listed; the others are groups of slides, and bars.
    fallen = {name for (name,) in rows(con, "tally.take_in_group", "distinct grouping")}
    assert made.keys() - fallen == {"kind", "kind_and_direction", "interval", "bar"}
    assert fallen <= made.keys()


@pytest.mark.parametrize(
    ("grouping", "expected"),
    [
        ("corpus", [("corpus", "t1", 1), ("corpus", "t2", 1), ("corpus", "t3", 1)]),
        ("take", [("t1/ann", "t1", 1), ("t2/bo", "t2", 1), ("t3/bo", "t3", 1)]),
        ("player", [("ann", "t1", 1), ("bo", "t2", 1), ("bo", "t3", 1)]),
        (
            "school",
            [
                ("towns/north", "t1", 1), ("towns/south", "t2", 0.5), ("towns/south", "t3", 0.5),
                ("towns/unplaced", "t2", 0.5), ("towns/unplaced", "t3", 0.5),
            ],
        ),
        (
            "period",
            [
                # Of 1909 or 1910: in neither half of the decades as a part.
                ("halves/late", "t2", 1), ("halves/uncertain", "t1", 1), ("halves/undated", "t3", 1),
            ],
        ),
        ("year", [("1912", "t2", 1), ("undated", "t1", 1), ("undated", "t3", 1)]),
        (
            "cohort",
            # Bo was born in 1899 or 1900.
            [("1880s", "t1", 1), ("unknown", "t2", 1), ("unknown", "t3", 1)],
        ),
        ("process", [("acoustic", "t1", 1), ("acoustic", "t2", 1), ("unknown", "t3", 1)]),
        ("accompaniment", [("unknown", "t1", 1), ("unknown", "t2", 1), ("voice", "t3", 1)]),
        ("instrument", [("violin", "t1", 1), ("violin", "t2", 1), ("violin", "t3", 1)]),
        ("work", [("air", "t1", 1), ("air", "t2", 1), ("~", "t3", 1)]),
        ("work_and_player", [("air/ann", "t1", 1), ("air/bo", "t2", 1), ("~/bo", "t3", 1)]),
        ("lineage", [("ann/0", "t1", 1), ("ann/1", "t2", 1), ("ann/1", "t3", 1)]),
    ],
)  # fmt: skip
def test_takes_fall_into_groups_by_share_of_their_players_and_certain_dates(con, grouping, expected):
    made = con.execute(
        "select group_key, take_id, weight from tally.take_in_group where grouping = $1 order by all", [grouping]
    ).fetchall()
    assert made == expected


def test_groups_of_two_kinds_keep_their_parts(con):
    made = con.execute(
        "select group_key, take_id, weight from tally.take_in_group where grouping = 'school_and_period' "
        "and take_id <> 't3' order by all"
    ).fetchall()
    assert made == [
        ("towns/north/halves/uncertain", "t1", 1),
        ("towns/south/halves/late", "t2", 0.5),
        ("towns/unplaced/halves/late", "t2", 0.5),
    ]
    parts = con.execute(
        "select school_scheme, school_id, period_scheme, period_id from tally.group_part "
        "where grouping = 'school_and_period' and group_key = 'towns/south/halves/late'"
    ).fetchall()
    assert parts == [("towns", "south", "halves", "late")]


def test_a_scheme_may_hold_the_stroke_that_parts_keys():
    # Schemes are free text; ids are not, so that the views still tell scheme and period apart.
    tables = small()
    for period in tables["period"]:
        period["scheme"] = "1900/1919"
    con = database("period", "school_and_period", **tables)
    made = rows(con, "summary.slides_by_period", "scheme", "period_id", "takes")
    assert made == [("1900/1919", "late", 1), ("1900/1919", "uncertain", 1), ("1900/1919", "undated", 1)]
    made = rows(con, "summary.slides_by_school_and_period", "school_id", "period_scheme", "period_id")
    assert ("north", "1900/1919", "uncertain") in made


def test_takes_by_group(con):
    columns = ("takes", "takes_not_judged", "transfers", "sessions", "players", "minutes", "slides", "share_rising")
    made = con.execute(
        f"select group_key, {', '.join(columns)} from tally.takes_by_group where grouping = 'player' order by all"
    ).fetchall()
    assert made == [("ann", 1, 0, 1, 1, 1, 2.0, 2, 0.5), ("bo", 2, 1, 1, 1, 1, 1.0, 0, None)]


def test_a_take_of_two_players_is_one_take_of_the_corpus_and_one_of_each():
    tables = small()
    tables["performance"].append({"take_id": "t1", "player_id": "bo", "instrument": "violin", "certainty": "possible"})
    tables["solo_span"].append(solo("x1", "t1", "bo", start=120.0, to=150.0))
    con = tallies(**tables)
    columns = "group_key, takes, takes_not_judged, takes_doubtful, players, transfers, minutes"
    of = f"select {columns} from tally.takes_by_group where grouping = $1 order by all"
    assert con.execute(of, ["corpus"]).fetchall() == [("corpus", 3, 1, 2, 2, 2, 3.5)]
    assert con.execute(of, ["player"]).fetchall() == [("ann", 1, 0, 0, 1, 1, 2.0), ("bo", 3, 1, 2, 1, 2, 1.5)]


def test_clusters_hold_counts_and_exposure(con):
    columns = ("cluster", "timed_slides", "timed_minutes", "slid_transitions", "transitions", "slurred_transitions")
    of = f"select group_key, {', '.join(columns)} from tally.by_cluster where grouping = "
    # Over several players a player is a cluster; within one player's rate a session is. What was not judged is in none.
    assert con.execute(of + "'period' order by all").fetchall() == [
        ("halves/late", "bo", 0, 1.0, 0, 2, 0),
        ("halves/uncertain", "ann", 2, 2.0, 2, 4, 4),
    ]
    assert con.execute(of + "'player' order by all").fetchall() == [
        ("ann", "assumed:ann/unknown day/no label", 2, 2.0, 2, 4, 4),
        ("bo", "assumed:bo/1912/no label", 0, 1.0, 0, 2, 0),
    ]
    # Of a kind every player has the whole exposure, also one without such a slide; of an interval its own chances.
    assert con.execute(of + "'kind' order by all").fetchall() == [
        ("same_finger", "ann", 2, 2.0, 2, 4, 4),
        ("same_finger", "bo", 0, 1.0, 0, 2, 0),
    ]
    assert con.execute(of + "'interval' order by all").fetchall() == [
        ("falling/3", "ann", 1, 2.0, 0, 0, 0),
        ("falling/3", "bo", 0, 1.0, 0, 0, 0),
        ("rising/3", "ann", 1, 2.0, 2, 4, 4),
        ("rising/3", "bo", 0, 1.0, 0, 2, 0),
    ]


def test_slides_fall_into_the_groups_of_their_takes_and_of_their_kind(con):
    made = con.execute(
        "select grouping, group_key, size_cents, weight from tally.slide_in_group "
        "where grouping in ('period', 'kind_and_direction', 'interval') order by all"
    ).fetchall()
    assert made == [
        ("interval", "falling/3", 500.0, 1),
        ("interval", "rising/3", 300.0, 1),
        ("kind_and_direction", "same_finger/falling", 500.0, 1),
        ("kind_and_direction", "same_finger/rising", 300.0, 1),
        ("period", "halves/uncertain", 300.0, 1),
        ("period", "halves/uncertain", 500.0, 1),
    ]


def test_slides_and_chances_of_a_kind_and_an_interval(con):
    columns = ("group_key", "slides", "takes_with_slide", "players_with_slide", "transitions", "slurred_transitions")
    of = f"select {', '.join(columns)} from tally.slides_by_group where grouping = "
    assert con.execute(of + "'kind'").fetchall() == [("same_finger", 2, 1, 1, None, None)]
    assert con.execute(of + "'interval' order by all").fetchall() == [
        ("falling/3", 1, 1, 1, None, None),
        ("rising/3", 1, 1, 1, 6, 4),
    ]
    chances = rows(con, "tally.chance_by_interval", "group_key", "cluster", "transitions", "slurred_transitions")
    assert chances == [("rising/3", "ann", 4, 4), ("rising/3", "bo", 2, 0)]


def test_quartiles_are_type_7():
    # Durations 100 and 200 ms: Hyndman and Fan's type 7 gives 125, 150, 175.
    con = database("player", "period", **small())
    columns = ("duration_q1_ms", "duration_median_ms", "duration_q3_ms")
    made = rows(con, "result.quartile", "group_key", *columns)
    assert made == [(key, 125.0, 150.0, 175.0) for key in ("ann", "halves/uncertain")]


def test_the_whole_of_rates_by_group_is_what_the_summaries_show():
    con = database("player", "school", **small())
    whole = con.execute(
        "select group_key, slides, slides_per_minute, duration_median_ms from summary.slides_by_group "
        "where grouping = 'player' order by all"
    ).fetchall()
    assert whole == [("ann", 2, 1.0, 150.0), ("bo", 0, 0.0, None)]
    assert whole == rows(
        con, "summary.slides_by_player", "player_id", "slides", "slides_per_minute", "duration_median_ms"
    )


def test_fingers_and_shifts_are_told_for_players_schools_and_periods():
    tables = joined(
        small(), {"slide": [slide("x2", "t2", 1.0, kind="two_finger", p_same_finger=0.0, p_two_finger=1.0)]}
    )
    tables["transition_hand"] = [
        {"transition_id": f"x1-t{at}200", "transfer_id": "x1", "take_id": "t1", "speed_rank": 1, "speed_share": 1.0,
         "heard": False, "shift_probability": 0.5, "chance_probability": 0.25 if at < 3 else None}
        for at in (1, 2, 3)
    ]  # fmt: skip
    con = tallies(**tables)
    made = rows(con, "tally.fingers_by_group", "grouping", "group_key", "direction", "same_finger", "share_two_finger")
    assert [row for row in made if row[0] == "player"] == [
        ("player", "ann", "falling", 1, 0.0),
        ("player", "ann", "rising", 1, 0.0),
        ("player", "bo", "rising", 0, 1.0),
    ]
    assert {row[0] for row in made} == {"player", "school", "period"}
    # Three changes with a hand, a chance of one in four to slide in two of them, both heard.
    made = rows(
        con, "tally.shifts_by_group", "grouping", "group_key", "transitions", "shifts", "chances", "heard", "silent"
    )
    assert made == [
        ("period", "halves/uncertain", 3, 1.5, 0.5, 0.5, 0.0),
        ("player", "ann", 3, 1.5, 0.5, 0.5, 0.0),
        ("school", "towns/north", 3, 1.5, 0.5, 0.5, 0.0),
    ]


def test_totals_do_not_depend_on_the_order_of_their_addends():
    con = duckdb.connect()
    con.execute(views.FUNCTIONS.read_text(encoding="utf-8"))
    parts = [1e9, 1 / 3, -1e9, 1 / 3, 1 / 3, None, 0.1] * 7
    made = {
        con.execute("select total(x) from unnest($1) as t(x)", [order]).fetchall()[0][0]
        for order in (parts, parts[::-1], sorted(parts, key=lambda x: (x is None, x)), sorted(parts, key=str))
    }
    # Floating-point sums of these differ by the order (sum(parts) is not 7.7); seven times 1 and 0.1 are 7.7.
    assert made == {7.7}
    assert sum(x for x in parts if x is not None) != 7.7
    assert con.execute("select total(x) from (select 1.0 as x where false)").fetchall() == [(None,)]
    assert con.execute("select total(4000000.0) from range(3000)").fetchall() == [(12e9,)]


def test_sessions_nobody_noted_are_those_of_a_day_a_year_or_a_label():
    def take(name, *, recorded=None, session=None, label="Thrush", player="ann"):
        return joined(
            {"side": [{"side_id": name, "label": label}], "side_take": [{"side_id": name, "take_id": name}]},
            {
                "transfer": [{"transfer_id": name, "side_id": name, "file": f"{name}.wav"}],
                "take": [{"take_id": name, "recorded": recorded, "session_id": session}],
                "performance": [{"take_id": name, "player_id": player}] if player else [],
                "solo_span": [solo(name, name, player, to=60.0)],
            },
        )

    tables = joined(
        {"player": [{"player_id": "ann"}], "session": [{"session_id": "z1", "recorded": "1905-03-01"}]},
        take("t1", session="z1"),
        take("t2", recorded="1906-05-04"),
        take("t3", recorded="1906-05-04"),
        take("t4", recorded="1906-05"),
        take("t5", recorded="1906", label="Wren"),
        take("t6", recorded="1906/1907"),
        take("t7"),
        take("t8", player=None),
    )
    con = database("player", **tables)
    assert rows(con, "fact.take_tally", "take_id", "session_basis", "session_key") == [
        ("t1", "catalogue", "z1"),
        ("t2", "day", "assumed:ann/1906-05-04/Thrush"),
        ("t3", "day", "assumed:ann/1906-05-04/Thrush"),
        ("t4", "year", "assumed:ann/1906/Thrush"),
        ("t5", "year", "assumed:ann/1906/Wren"),
        ("t6", "label", "assumed:ann/unknown day/Thrush"),
        ("t7", "label", "assumed:ann/unknown day/Thrush"),
        ("t8", "take", "take:t8"),
    ]
    counted = rows(con, "summary.slides_by_player", "player_id", "sessions", "sessions_assumed")
    assert counted == [("ann", 5, 3), (None, 1, 0)]
    said = rows(con, "summary.slides_by_player", "player_id", "warning")
    assert "3 of 5 sessions assumed: takes of one year count as one day" in said[0][1]
    assert "assumed" not in said[1][1]
