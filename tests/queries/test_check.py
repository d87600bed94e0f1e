"""Views of the layer ``check``: nothing for sound rows, the offending rows otherwise."""

import pytest

from pipeline.store.database import views
from tests.helpers.made_rows import database, joined, rows, side, slide, small

VERDICT = {"listener": "lee", "judged_on": "2026-01-01", "verdict": "slide", "samples_sha256": "a" * 64}


def test_sound_rows_offend_nothing():
    con = database("player", **small())
    names = [path.stem for path in views.query_files("check")]
    assert len(names) >= 8
    for name in names:
        assert rows(con, f"check.{name}", "*") == [], name


@pytest.mark.parametrize(
    ("view", "columns", "wrong", "offending"),
    [
        (
            "recorded_outside_life",
            ("take_id", "player_id", "what"),
            {
                "player": [{"player_id": "cy", "name": "Cy", "born": "1920", "died": "1950"}],
                "take": [{"take_id": "t8", "recorded": "1919"}, {"take_id": "t9", "recorded": "1951/1952"}],
                "performance": [{"take_id": t, "player_id": "cy", "certainty": "certain"} for t in ("t8", "t9")],
            },
            [("t8", "cy", "recorded before birth"), ("t9", "cy", "recorded after death")],
        ),
        ("slide_outside_solo", ("slide_id",), {"slide": [slide("x1", "t1", 500.0)]}, [("x1-s500000",)]),
        (
            "kind_probabilities",
            ("slide_id", "total"),
            {"slide": [slide("x1", "t1", 5.0, p_two_finger=0.25)]},
            [("x1-s5000", 1.25)],
        ),
        (
            "school_share_over_one",
            ("player_id", "scheme", "total"),
            {"school_membership": [{"player_id": "bo", "school_id": "north", "share": 0.75}]},
            [("bo", "towns", 1.25)],
        ),
        (
            "period_overlap",
            ("period_id", "other_period_id", "overlap_from::varchar", "overlap_to::varchar"),
            {"period": [{"period_id": "middle", "scheme": "halves", "name": "Middle", "span": "1905/1909"}]},
            [("early", "middle", "1905-01-01", "1909-12-31")],
        ),
        (
            "edition_differs",
            ("edition", "bar", "beat", "notes", "reference_notes"),
            {
                "written_part": [{"work_id": "w", "edition": e, "is_reference": e == "B"} for e in "ABC"],
                "written_note": [
                    {"work_id": "w", "edition": e, "note_number": n, "bar": str(bar), "bar_index": bar}
                    | {"beat": 1.0, "midi": float(midi), "name": f"n{midi}"}
                    for e, bars in (("A", (62, 64)), ("B", (62, 65, 67)), ("C", (60,)))
                    for n, (bar, midi) in enumerate(enumerate(bars, start=1), start=1)
                ],
            },
            [("A", "2", 1.0, "n64", "n65"), ("C", "1", 1.0, "n60", "n62")],
        ),
        (
            "several_transfers_stand",
            ("take_id", "transfer_ids"),
            joined(side("x8", "t1", stands_for_take=True), side("x9", "t1", stands_for_take=True)),
            [("t1", "x8, x9")],
        ),
        (
            "unmatched_verdict",
            ("transfer_start_s", "what"),
            {
                "run": [{"transfer_id": "x2", "step": "intake", "samples_sha256": "b" * 64}],
                "review": [
                    {**VERDICT, "transfer_id": "x1", "transfer_start_s": 1.15, "transfer_end_s": 1.6},
                    {**VERDICT, "transfer_id": "x2", "transfer_start_s": 9.0, "transfer_end_s": 9.2},
                ],
            },
            [
                (1.15, "overlaps a slide too little to be about it"),
                (9.0, "given for other samples than those now there"),
            ],
        ),
    ],
)  # fmt: skip
def test_offending_rows_are_named(view, columns, wrong, offending):
    con = database(**joined(small(), wrong))
    assert rows(con, f"check.{view}", *columns) == offending


def test_stale_estimates_are_named():
    con = database("player", **small())
    con.execute(
        "update result.estimate set rate = 3 where group_key = 'ann' and measure = 'slides_per_minute'"
    ).fetchall()
    assert rows(con, "check.estimate_against_facts", "*") == [("ann", 1.0, 3.0)]
