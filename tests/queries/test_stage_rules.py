"""Views of the layer ``stage`` that hold one rule each: made rows in, expected rows out."""

from pipeline.overlap import SAME_SLIDE
from pipeline.stats.lineage import CERTAINTIES
from pipeline.store import schema
from tests.helpers.made_rows import OTHER_SHA, SHA, chances, facts, joined, rows, side, slide, small, solo, verdict


def test_certainty_has_the_order_that_python_and_the_catalogue_know():
    made = rows(facts(), "stage.certainty", "certainty", order="rank")
    assert tuple(word for (word,) in made) == CERTAINTIES
    assert set(CERTAINTIES) == set(schema.load("teaching").column("certainty").values)


def test_the_date_of_a_take_is_its_own_else_that_of_its_session():
    con = facts(
        take=[
            {"take_id": "t1", "recorded": "1909/1910", "session_id": "s1"},
            {"take_id": "t2", "session_id": "s1"},
            {"take_id": "t3"},
            # An open date of one's own is not filled from the session's.
            {"take_id": "t4", "recorded": "1908/..", "session_id": "s1"},
        ],
        session=[{"session_id": "s1", "recorded": "1912"}],
    )
    dates = ("recorded_earliest::varchar", "recorded_latest::varchar")
    assert rows(con, "stage.take_dated", "take_id", "recorded", *dates) == [
        ("t1", "1909/1910", "1909-01-01", "1910-12-31"),
        ("t2", "1912", "1912-01-01", "1912-12-31"),
        ("t3", None, None, None),
        ("t4", "1908/..", "1908-01-01", None),
    ]


def test_the_sound_of_a_transfer_is_that_last_noted():
    run = [
        {"transfer_id": "x1", "step": "intake", "samples_sha256": SHA},
        {"transfer_id": "x1", "step": "follow", "samples_sha256": SHA},
        {"transfer_id": "x2", "step": "intake", "samples_sha256": None, "outcome": "failed"},
    ]
    assert rows(facts(run=run), "stage.current_sound", "*") == [("x1", SHA)]


def test_counted_spans_are_those_of_the_transfer_that_stands():
    copy = joined(side("x9", "t1", generation="dub"), {"solo_span": [solo("x9", "t1", "ann", to=100)]})
    made = rows(facts(**joined(small(), copy)), "stage.counted_span", "transfer_id", "take_id", "player_id", "minutes")
    # x3 is not counted, since a voice plays too; of t1 the transfer of unknown generation stands before the dub.
    assert made == [("x1", "t1", "ann", 2.0), ("x2", "t2", "bo", 1.0)]


def test_chances_are_the_pairs_that_count_and_slurred_is_likelier_than_not():
    tables = joined(
        chances("x1", "t1", [1.0], cents=-260.0, slurred=0.5),
        chances("x1", "t1", [2.0], cents=240.0, slurred=0.51),
        chances("x1", "t1", [3.0], cents=50.0, slurred=None),
        chances("x1", "t1", [4.0]),
    )
    tables["transition"][-1]["exposure"] = False
    made = rows(facts(**tables), "stage.chance", "transition_id", "direction", "semitones", "is_slurred")
    assert made == [
        ("x1-t1200", "falling", 3, False),
        ("x1-t2200", "rising", 2, True),
        ("x1-t3200", "rising", 1, False),
    ]


def chord_notes(chord_id, *note_ids):
    """Notes of one chord, lowest first."""
    own = {"chord_id": chord_id, "transfer_id": "x1", "take_id": "t1"}
    return [{**own, "note_number": i, "note_id": note_id} for i, note_id in enumerate(note_ids, start=1)]


def test_no_chance_and_no_slide_within_a_chord_nor_beside_it_where_no_way_puts_both_notes_on_one_string():
    # Within a chord; into one, with both notes hardly on one string, and with both likely on one; beside none.
    times, same_string = (1.0, 2.0, 3.0, 4.0), (0.9, 0.01, 0.3, 0.01)
    tables = {**chances("x1", "t1", list(times)), "slide": [slide("x1", "t1", at) for at in times]}
    tables["chord_note"] = [
        *chord_notes("x1-c1", "x1-n1000", "x1-n1200"),
        *chord_notes("x1-c2", None, "x1-n2200"),
        *chord_notes("x1-c3", "x1-n3200", None),
    ]
    tables["transition_hand"] = [
        {"transition_id": f"x1-t{round(1000 * at) + 200}", "transfer_id": "x1", "speed_rank": 1,
         "same_string_probability": share, "heard": False}
        for at, share in zip(times, same_string, strict=True)
    ]  # fmt: skip
    con = facts(**tables)
    assert rows(con, "stage.chance", "transition_id") == [("x1-t3200",), ("x1-t4200",)]
    judged = rows(con, "stage.judged_slide", "slide_id", "is_slide")
    assert judged == [("x1-s1000", False), ("x1-s2000", False), ("x1-s3000", True), ("x1-s4000", True)]
    apart = rows(con, "stage.apart_by_chord", "from_note_id", "is_within_chord")
    assert apart == [("x1-n1000", True), ("x1-n2000", False)]


def test_a_find_between_strings_of_a_chord_enters_no_rate_until_a_listener_has_judged_it():
    tables = joined(small(), {"chord_note": chord_notes("x1-c1", "x1-n1000", "x1-n1200")})
    heard, doubted = (joined(tables, {"review": [verdict(1.0, said, "lee")]}) for said in ("slide", "cannot_tell"))
    for given, owned in ((tables, ["x1-s2000"]), (doubted, ["x1-s2000"]), (heard, ["x1-s1000", "x1-s2000"])):
        con = facts(**given)
        assert [name for (name,) in rows(con, "stage.owned_slide", "slide_id")] == owned
        assert rows(con, "fact.take_tally", "take_id", "found_slides", "slides")[0] == ("t1", len(owned), len(owned))


def test_the_stretch_that_holds_its_middle_owns_a_slide():
    # Slides last 0.2 s from where they begin: middles at 29.95, 30.0 and 30.15 s; Ann's stretch ends where Bo's begins.
    tables = joined(
        side("x1", "t1"),
        {
            "take": [{"take_id": "t1"}],
            "solo_span": [
                solo("x1", "t1", "ann", to=30.0),
                solo("x1", "t1", "bo", start=30.0, to=60.0),
                solo("x1", "t1", "ann", start=60.0, to=90.0, counted=False),
            ],
            "slide": [slide("x1", "t1", at) for at in (29.85, 29.9, 30.05, 70.0)],
        },
    )
    con = facts(**tables)
    assert rows(con, "stage.owned_slide", "slide_id", "player_id") == [
        ("x1-s29850", "ann"),
        ("x1-s29900", "bo"),
        ("x1-s30050", "bo"),
    ]
    middles = rows(con, "stage.judged_slide", "round(transfer_middle_s, 9)")
    assert middles == [(29.95,), (30.0,), (30.15,), (70.1,)]


def test_rejected_slides_are_owned_and_do_not_count():
    con = facts(**joined(small(), {"review": [verdict(1.0, "no_slide", "lee")]}))
    assert rows(con, "stage.owned_slide", "slide_id", "is_slide") == [("x1-s1000", False), ("x1-s2000", True)]
    assert rows(con, "fact.slide", "slide_id") == [("x1-s2000",)]


def drawn(at, *, sample="n1", population="slide"):
    return {
        "sample_id": sample, "item_id": f"i{round(at)}", "transfer_id": "x1", "drawn_from": population,
        "transfer_start_s": at, "transfer_end_s": at + 0.2, "samples_sha256": SHA,
    }  # fmt: skip


def test_what_a_verdict_is_about_and_why_it_may_count_for_nothing():
    # The slide lasts from 1.0 to 1.2 s. 0.1 of 0.3 s in common is a third; 0.05 of 0.35 s is a seventh.
    tables = joined(
        small(),
        {
            "run": [{"transfer_id": "x1", "step": "intake", "samples_sha256": SHA}],
            "drawn_item": [drawn(8.0), drawn(9.0, population="stretch")],
            "review": [
                verdict(1.1, "no_slide", "lee"),
                verdict(1.15, "no_slide", "lee"),
                verdict(1.0, "no_slide", "mo", sha=OTHER_SHA),
                # Nothing is found at 7, 8 and 9 s: added; about a find that is gone; about a stretch without one.
                verdict(7.0, "slide", "lee"),
                {**verdict(8.0, "no_slide", "lee"), "sample_id": "n1"},
                {**verdict(9.0, "no_slide", "lee"), "sample_id": "n1"},
            ],
        },
    )
    con = facts(**tables)
    made = rows(con, "stage.verdict", "transfer_start_s", "listener", "slide_id", "round(overlap, 6)", "lost_because")
    assert made == [
        (1.0, "mo", "x1-s1000", 1.0, "given for other samples than those now there"),
        (1.1, "lee", "x1-s1000", round(1 / 3, 6), None),
        (1.15, "lee", None, round(1 / 7, 6), "overlaps a slide too little to be about it"),
        (7.0, "lee", None, None, None),
        (8.0, "lee", None, None, "the find that it was about is found no more"),
        (9.0, "lee", None, None, None),
    ]


def test_sql_and_python_ask_the_same_overlap_of_a_slide():
    # The slide lasts 0.2 s from 1.0 s; a verdict from there that lasts 0.2 s / share has that share in common.
    for share, slide_id in ((SAME_SLIDE + 0.001, "x1-s1000"), (SAME_SLIDE - 0.001, None)):
        con = facts(**joined(small(), {"review": [verdict(1.0, "no_slide", "lee", end=1.0 + 0.2 / share)]}))
        assert rows(con, "stage.verdict", "round(overlap, 6)", "slide_id") == [(round(share, 6), slide_id)]
