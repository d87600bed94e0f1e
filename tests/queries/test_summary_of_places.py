"""Summaries and results of places: made rows in, exact rows out."""

from typing import Any

import pytest

from tests.helpers.made_rows import database, joined, rows
from tests.helpers.played_part import PLACES, part, take, two_takes

ONE_PLACE = "at the one place that both play: North 100 % against South 50 %"


@pytest.fixture(scope="module")
def con() -> Any:
    people = {
        "school": [
            {"school_id": "north", "scheme": "towns", "name": "North"},
            {"school_id": "south", "scheme": "towns", "name": "South"},
        ],
        "school_membership": [
            {"player_id": "ann", "school_id": "north"},
            {"player_id": "bo", "school_id": "south"},
        ],
        "period": [{"period_id": "early", "scheme": "halves", "name": "Early", "span": "1900/1919"}],
        "teaching": [{"teacher_id": "ann", "student_id": "bo", "certainty": "certain"}],
    }
    hands = [
        {"note_id": f"x-t2-n{k}", "transfer_id": "x-t2", "rank": 1, "speed_rank": 1, "string": "A", "finger": finger}
        for k, finger in ((0, 1), (2, 3), (4, 1), (5, 3))
    ]
    tables = joined(two_takes(), part("Zorn 1911"), people, {"note_hand": hands})
    results = ("place_effect", "player_likeness", "likeness_of_students")
    return database("player", "school", "period", "bar", results=results, **tables)


def test_places_of_the_work(con: Any) -> None:
    columns = ("written_place_id", "bar", "from_name", "to_name", "takes", "reached", "told", "slid", "share")
    assert rows(con, "summary.slides_by_place", *columns) == [
        (PLACES[0], "1", "n60", "n64", 2, 3, 3, 2, 2 / 3),
        (PLACES[1], "1", "n64", "n65", 2, 3, 2, 0, 0.0),
        (PLACES[2], "2", "n65", "n69", 2, 1, 0, 0, None),
        (PLACES[3], "3", "n69", "n67", 2, 1, 1, 0, 0.0),
    ]
    columns = ("players", "kind", "duration_median_ms", "fingers", "editions", "editions_marked")
    assert rows(con, "summary.slides_by_place", *columns, order="written_place_id")[:2] == [
        (2, "same_finger", 101.5, "1 to 3", 2, 1),
        (1, None, None, None, 2, 0),
    ]


def test_limits_of_a_share_are_those_of_wilson(con: Any) -> None:
    """2 of 3: 0.2077 to 0.9385 (statsmodels, proportion_confint(2, 3, method="wilson"))."""
    low, high = rows(con, "summary.slides_by_place", "share_low", "share_high", order="written_place_id")[0]
    assert (low, high) == (pytest.approx(0.20766, abs=2e-5), pytest.approx(0.93851, abs=2e-5))


def test_groups_at_a_place(con: Any) -> None:
    columns = ("written_place_id", "player_id", "player", "reached", "told", "slid")
    assert rows(con, "summary.players_at_place", *columns)[:3] == [
        (PLACES[0], "ann", "Ann", 1, 1, 1),
        (PLACES[0], "bo", "Bo", 2, 2, 1),
        (PLACES[1], "ann", "Ann", 1, 0, 0),
    ]
    columns = ("written_place_id", "scheme", "school", "told", "slid", "share")
    assert rows(con, "summary.schools_at_place", *columns)[:2] == [
        (PLACES[0], "towns", "North", 1, 1, 1.0),
        (PLACES[0], "towns", "South", 2, 1, 0.5),
    ]
    columns = ("written_place_id", "scheme", "period", "told", "slid")
    assert rows(con, "summary.periods_at_place", *columns)[0] == (PLACES[0], "halves", "Early", 3, 2)


def test_the_matrix_and_the_rows_for_models(con: Any) -> None:
    columns = ("written_place_id", "take_id", "time_through", "player", "from_name", "outcome", "to_finger")
    assert rows(con, "summary.passage_matrix", *columns)[:3] == [
        (PLACES[0], "t1", 1, "Ann", "n60", "slid", None),
        (PLACES[0], "t2", 1, "Bo", "n60", "slid", 3),
        (PLACES[0], "t2", 2, "Bo", "n60", "not_slid", 3),
    ]
    columns = ("written_place_id", "take_id", "time_through", "slid", "school_id", "period_id", "recorded_year")
    assert rows(con, "export.place_for_models", *columns) == [
        (PLACES[0], "t1", 1, 1, "north", "early", 1910),
        (PLACES[0], "t2", 1, 1, "south", "early", 1910),
        (PLACES[0], "t2", 2, 0, "south", "early", 1910),
        (PLACES[1], "t2", 1, 0, "south", "early", 1910),
        (PLACES[1], "t2", 2, 0, "south", "early", 1910),
        (PLACES[3], "t1", 1, 0, "north", "early", 1910),
    ]


def test_schools_compared_at_the_same_places(con: Any) -> None:
    columns = (
        "grouping",
        "group_key",
        "other_key",
        "odds_ratio",
        "share",
        "other_share",
        "places",
        "players",
        "sentence",
    )
    assert rows(con, "summary.place_effect", *columns) == [
        # Where one group always slides, no ratio can be given; the plain answer can.
        ("school", "towns/north", "towns/south", None, 1.0, pytest.approx(0.5), 1, 2, ONE_PLACE)
    ]
    # Of the seven rows that can be told (0.99 each) three lie at the one place.
    assert rows(con, "result.place_effect", "coverage") == [(pytest.approx(3 / 6),)]


def test_players_who_share_many_places_are_compared() -> None:
    """A part of forty places: Bo does as Ann, her teacher, does; Cy and Di each as they like."""
    notes = [
        {
            "work_id": "air", "edition": "Wrack 1897", "note_number": event, "event": event, "bar_index": event,
            "bar": str(event), "beat": 1.0, "midi": 60.0 + event % 2,
        }
        for event in range(1, 42)
    ]  # fmt: skip
    whole = {"written_part": [{"work_id": "air", "edition": "Wrack 1897"}], "written_note": notes}
    played = list(range(1, 42))
    slides = {
        "ann": tuple(range(1, 40, 3)), "bo": (*range(1, 40, 3), 2), "cy": tuple(range(2, 41, 4)),
        "di": tuple(range(1, 41, 5)),
    }  # fmt: skip
    takes = [take(f"t-{who}", who, list(played), slides=of) for who, of in slides.items()]
    people = {
        "player": [{"player_id": who, "name": who.title()} for who in slides],
        "teaching": [{"teacher_id": "ann", "student_id": "bo", "certainty": "certain"}],
    }
    con = database("player", results=("player_likeness", "likeness_of_students"), **joined(whole, people, *takes))
    columns = ("player", "other_player", "are_teacher_and_student", "places", "both_slid", "one_slid", "neither_slid")
    made = rows(con, "summary.agreement_between_players", *columns)
    assert made[0] == ("Ann", "Bo", True, 40, pytest.approx(13), pytest.approx(1), pytest.approx(26))
    kappa, beyond, low = rows(con, "summary.agreement_between_players", "kappa", "beyond", "beyond_low")[-1]
    # By hand: agreement 39 of 40; chance (13 14 + 27 26) / 1600.
    assert kappa == pytest.approx((39 / 40 - 884 / 1600) / (1 - 884 / 1600))
    assert beyond > 0.5
    assert low > 0.3
    columns = ("taught", "others", "p", "warning")
    assert rows(con, "summary.agreement_of_students", *columns) == [
        (1, 5, None, "1 of the 30 pairs that a p value needs")
    ]
    cautions = dict(rows(con, "summary.agreement_between_players", "both_slid", "warning"))
    assert {both < 5 for both in cautions} == {True, False}
    assert all((text is not None) == (both < 5) for both, text in cautions.items())


PITCHES = [60.0 + 2 * (event % 2) for event in range(60)]


def edition(name: str, *, slides_at: int | None = None) -> dict[str, Any]:
    """Sixty notes, and a slide printed after every eighth."""
    notes = [
        {
            "work_id": "air", "edition": name, "note_number": i + 1, "event": i + 1, "bar_index": i + 1,
            "bar": str(i + 1), "beat": 1.0, "midi": midi, "string": "G", "slide_marked": i % 8 == slides_at,
        }
        for i, midi in enumerate(PITCHES)
    ]  # fmt: skip
    return {"written_part": [{"work_id": "air", "edition": name}], "written_note": notes}


def fitted(made: dict[str, Any], state: str = "placed", *, agree: str = "") -> dict[str, Any]:
    """A take with a row of its fit on both editions, and its fingers beside theirs: those of one agree."""
    (fit,), editions = made["written_fit"], ("Wrack 1897", "Zorn 1911")
    own = {name: fit[name] for name in ("transfer_id", "take_id")} | {"time_through": 1, "printed_shift": False}
    beside = [
        own | {"edition": name, "note_number": event, "printed_finger": 1}
        | {"verdict": "cannot_tell" if not agree else "agree" if name == agree else "differ"}
        for name in editions for event in range(1, 61)
    ]  # fmt: skip
    return made | {
        "written_fit": [fit | {"edition": name, "state": state} for name in editions],
        "fingering_match": beside,
    }


def test_the_edition_followed_is_told_and_other_music_refused() -> None:
    """Two editions print slides at other places; Ann follows one of them."""
    played = list(range(1, 61))
    follows = tuple(k + 1 for k in range(59) if k % 8 == 3)
    tables = joined(
        {"player": [{"player_id": "ann", "name": "Ann"}, {"player_id": "bo", "name": "Bo"}]},
        edition("Wrack 1897", slides_at=3),
        edition("Zorn 1911", slides_at=6),
        fitted(take("t1", "ann", [*played], slides=follows)),
        fitted(take("t2", "bo", [*played]), "not_this_work"),
    )
    con = database("player", results=("edition_followed",), **tables)
    columns = ("take_id", "edition", "player", "state", "verdict", "shifts", "shifts_slid", "others", "others_slid")
    assert rows(con, "summary.edition_followed", *columns) == [
        ("t1", "Wrack 1897", "Ann", "told", "followed", 7.0, 7.0, 52.0, 0.0),
        ("t1", "Zorn 1911", "Ann", "told", "not_followed", 7.0, 0.0, 52.0, 7.0),
        ("t2", "Wrack 1897", "Bo", "other_music", None, None, None, None, None),
        ("t2", "Zorn 1911", "Bo", "other_music", None, None, None, None, None),
    ]


def test_fingers_tell_the_edition_where_nobody_slides() -> None:
    """Two editions that never move the hand: one plays the fingers of the first, two those of the other."""
    follows = {"ann": "Wrack 1897", "bo": "Zorn 1911", "cy": "Zorn 1911"}
    tables = joined(
        {"player": [{"player_id": name} for name in follows]},
        edition("Wrack 1897"),
        edition("Zorn 1911"),
        *(fitted(take(f"t-{name}", name, [*range(1, 61)]), agree=print_) for name, print_ in follows.items()),
    )
    con = database("player", results=("edition_followed",), **tables)
    columns = ("take_id", "edition", "verdict", "shifts", "fingers", "fingers_alike")
    assert rows(con, "summary.edition_followed", *columns) == [
        ("t-ann", "Wrack 1897", "followed", 0.0, 59.0, 59.0),
        ("t-ann", "Zorn 1911", "not_followed", 0.0, 59.0, 0.0),
        ("t-bo", "Wrack 1897", "not_followed", 0.0, 59.0, 0.0),
        ("t-bo", "Zorn 1911", "followed", 0.0, 59.0, 59.0),
        ("t-cy", "Wrack 1897", "not_followed", 0.0, 59.0, 0.0),
        ("t-cy", "Zorn 1911", "followed", 0.0, 59.0, 59.0),
    ]


def test_a_slide_names_its_bar_and_beat(con: Any) -> None:
    assert rows(con, "export.slide_for_models", "slide_id", "written_place_id", "bar", "beat") == [
        ("x-t1-s1", PLACES[0], "1", 1.0),
        ("x-t2-s2", PLACES[0], "1", 1.0),
    ]


def test_rates_per_bar_stand_beside_the_others(con: Any) -> None:
    # Ann plays three bars once with a slide, Bo the first bar twice with one.
    columns = ("slides_per_bar", "takes_with_bars", "bars", "average_player_per_bar")
    assert rows(con, "summary.slides_by_player", "player_id", *columns) == [
        ("ann", 1 / 3, 1, 3, None),
        ("bo", 1 / 2, 1, 2, None),
    ]
    assert rows(con, "summary.slides_by_school", "school", *columns[:3]) == [
        ("North", 1 / 3, 1, 3),
        ("South", 0.5, 1, 2),
    ]
    assert rows(con, "summary.slides_by_period", "period_id", *columns[:3]) == [("early", 2 / 5, 2, 5)]
    limits = con.sql("select * from summary.slides_by_player").pl()
    assert (limits["slides_per_bar_low"] < limits["slides_per_bar"]).all()
    assert (limits["slides_per_bar"] < limits["slides_per_bar_high"]).all()
    assert "1 of the 10 sessions" in limits["slides_per_bar_warning"][0]


def test_in_which_bars_one_slides(con: Any) -> None:
    columns = ("work", "bar_index", "bar", "takes", "players", "times_played", "slides", "slides_per_bar")
    made = rows(con, "summary.slides_by_bar", *columns)
    assert made == [
        ("Air", 1, "1", 2, 2, 3, 2, 2 / 3),
        ("Air", 2, "2", 1, 1, 1, 0, 0.0),
        ("Air", 3, "3", 1, 1, 1, 0, 0.0),
    ]
    assert set(rows(con, "result.estimate", "distinct measure", "grouping")) >= {("slides_per_bar", "bar")}
    assert con.sql("select count(*) from result.estimate where grouping = 'bar'").fetchall() == [(3,)]


def test_rates_per_bar_of_a_period_hold_uncertain_dates_as_the_others_do() -> None:
    tables = two_takes()
    tables["take"] = [row | {"recorded": "1919/1920" if row["take_id"] == "t2" else "1910"} for row in tables["take"]]
    periods = [
        {"period_id": name, "scheme": "halves", "name": name, "span": span}
        for name, span in (("early", "1900/1919"), ("late", "1920/1939"))
    ]
    con = database("period", **tables, period=periods)
    columns = ("slides_per_bar", "least_per_bar", "most_per_bar", "takes_possible")
    early = rows(con, "summary.slides_by_period", "period_id", *columns)[0]
    # Ann's slide in three bars is certainly of it; Bo's in two may be.
    assert early == ("early", 1 / 3, pytest.approx(1 / 3), pytest.approx(2 / 5), 2)


def test_no_rate_per_bar_where_no_bars_are_known() -> None:
    tables = two_takes()
    tables["written_note"] = [row | {"bar_index": None, "bar": None} for row in tables["written_note"]]
    con = database("player", **tables)
    assert rows(con, "summary.slides_by_player", "slides_per_bar", "bars") == [(None, 0)] * 2
    assert con.sql("select * from result.estimate where measure = 'slides_per_bar'").fetchall() == []
    assert con.sql("select * from summary.slides_by_bar").fetchall() == []


def test_groups_are_compared_by_bars_too_and_one_vote_is_given_each() -> None:
    """Four players a school play the same bar ten times: the north slides each time, the south every other."""
    people = [f"p{k}" for k in range(8)]
    schools = ["north", "south"]
    tables = joined(
        part(),
        {
            "work": [{"work_id": "air", "title": "Air"}],
            "player": [{"player_id": p, "name": p} for p in people],
            "school": [{"school_id": s, "scheme": "towns", "name": s} for s in schools],
            "school_membership": [{"player_id": p, "school_id": schools[k % 2]} for k, p in enumerate(people)],
        },
        *(
            take(
                f"t{p}", p, [1, 2] * 10, slides=tuple(range(1, 20, 2 + 2 * (k % 2))), run_begins=tuple(range(0, 20, 2))
            )
            for k, p in enumerate(people)
        ),
    )
    con = database("school", "bar", results=("comparison",), **tables)
    assert rows(con, "summary.slides_by_school", "school", "slides_per_bar", "bars") == [
        ("north", 1.0, 40), ("south", 0.5, 40),
    ]  # fmt: skip
    average = dict(rows(con, "summary.slides_by_school", "school", "average_player_per_bar"))
    assert average == pytest.approx({"north": 1.0, "south": 0.5}, rel=0.1)
    # Of a bar all players are asked, each with one vote.
    (bar, *_) = con.sql("from summary.slides_by_bar").pl().iter_rows(named=True)
    assert bar["slides_per_bar"] == pytest.approx(0.75)
    assert bar["average_player_per_bar_low"] < 0.75 < bar["average_player_per_bar_high"]
    assert bar["typical_player_per_bar"] <= bar["average_player_per_bar"] == pytest.approx(0.75, rel=0.1)
    made = dict(
        con.execute(
            "select evidence, ratio from summary.comparison where measure = 'slides_per_bar' and grouping = 'school'"
        ).fetchall()
    )
    assert made["music_as_recorded"] == pytest.approx(2.0)
    assert made["between_players"] == pytest.approx(2.0, rel=0.1)
