"""Rates corrected for slides missed and invented: made finds, verdicts and plantings in, corrected rates out."""

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.recovery import Plantings, classes
from pipeline.steps.summarise.finds import class_sql
from tests.helpers.made_rows import chances, database, joined, rows, side, slide, solo

SHA = "a" * 64
FINDS, CHANGES = 60, 160


def two_takes():
    """Ann, recorded acoustically, and Bo, electrically: each 60 finds on 160 changes of note in ten minutes."""
    parts = []
    for name, player, process in (("x1", "ann", "acoustic"), ("x2", "bo", "electrical")):
        times = [float(3 * n + 1) for n in range(CHANGES)]
        made = chances(name, f"t-{name}", times)
        made["note"] = [note | {"transfer_end_s": note["transfer_start_s"] + 0.15} for note in made["note"]]
        parts += [
            side(name, f"t-{name}"),
            made,
            {
                "player": [{"player_id": player, "name": player}],
                "take": [{"take_id": f"t-{name}", "process": process, "accompaniment": "none"}],
                "performance": [{"take_id": f"t-{name}", "player_id": player, "certainty": "certain"}],
                "solo_span": [solo(name, f"t-{name}", player, to=600.0)],
                "slide": [slide(name, f"t-{name}", at) for at in times[:FINDS]],
            },
        ]
    return joined(*parts, {"teaching": [{"student_id": "ann", "teacher_id": "bo", "certainty": "certain"}]})


def heard(tables, transfer, *, finds, changes, right=1.0, missed=0):
    """All of so many finds and changes of a transfer drawn and judged; the first are slides."""
    drawn, reviews = [], []
    own = [row for row in tables["slide"] if row["transfer_id"] == transfer][:finds]
    begin = {row["note_id"]: row["transfer_start_s"] for row in tables["note"]}
    plain = [
        row for row in tables["transition"] if row["transfer_id"] == transfer
        and row["from_note_id"] not in {s["from_note_id"] for s in tables["slide"]}
    ][:changes]  # fmt: skip
    places = [("slide", s["transfer_audible_start_s"], s["transfer_audible_end_s"]) for s in own]
    places += [("transition", begin[t["from_note_id"]] + 0.15 - 0.05, begin[t["to_note_id"]] + 0.05) for t in plain]
    for n, (what, start, end) in enumerate(places):
        is_slide = n < round(right * finds) if what == "slide" else n - finds < missed
        place = {
            "sample_id": "s1", "item_id": f"{transfer}-{n}", "transfer_id": transfer, "samples_sha256": SHA,
            "transfer_start_s": start, "transfer_end_s": end,
        }  # fmt: skip
        drawn.append(
            place | {"drawn_from": what, "stratum": "all", "stratum_size": 10, "stratum_drawn": 5,
                     "take_id": f"t-{transfer}", "found_kind": "same_finger" if what == "slide" else None}
        )  # fmt: skip
        verdict = {"verdict": "slide" if is_slide else "no_slide", "listener": "lee", "judged_on": "2026-01-01"}
        reviews.append(place | verdict)
    return {"drawn_item": drawn, "review": reviews}


def planted(transfer, *, found, of, ms=200.0):
    """So many slides planted, of which so many were found, as long as they were."""
    return {
        "recovery": [
            {"recovery_id": f"{transfer}-r{n}", "transfer_id": transfer, "duration_ms": ms, "interval_cents": 300.0,
             "kind": "same_finger", "fall_db": 3.0, "found": n < found, "found_duration_ms": ms if n < found else None}
            for n in range(of)
        ]
    }  # fmt: skip


RATE = (
    "slides_per_100_transitions", "slides_per_100_transitions_corrected",
    "slides_per_100_transitions_corrected_low", "slides_per_100_transitions_corrected_high",
    "correction", "judged", "planted",
)  # fmt: skip


# Two persons may be set one over the other; two groups of one player each may not.
COMPARED = (
    "from result.comparison where grouping = 'teacher_and_student' and measure = 'slides_per_100_transitions' "
    "and evidence = 'music_as_recorded'"
)


def by_process(**tables):
    con = database("process", "player", "corpus", results=("comparison",), **tables)
    return con, {row[0]: row[1:] for row in rows(con, "summary.slides_by_process", "process", *RATE)}


def test_with_nothing_known_a_rate_says_so_and_by_how_much_recall_would_have_to_differ():
    tables = two_takes()
    # Bo with half as many finds: 18.75 against 37.5 of 100.
    tables["slide"] = [row for n, row in enumerate(tables["slide"]) if n < FINDS + FINDS // 2]
    con, made = by_process(**tables)
    assert made["acoustic"] == (37.5, None, None, None, "uncorrected", 0, 0)
    compared = con.execute(
        "select ratio, ratio_low, ratio_corrected, correction, recall_to_equal, recall_to_doubt " + COMPARED
    ).fetchall()
    assert compared == [(2.0, pytest.approx(compared[0][1]), None, "uncorrected", 2.0, max(compared[0][1], 1.0))]


def test_what_listeners_hear_is_carried_into_rates_by_the_sound_of_the_take():
    tables = two_takes()
    # Of Ann's sixty finds 45 are slides, of Bo's all, and nothing was missed.
    told = joined(heard(tables, "x1", finds=60, changes=90, right=0.75), heard(tables, "x2", finds=60, changes=90))
    con, made = by_process(**joined(tables, told))
    for process, right in (("acoustic", 45), ("electrical", 60)):
        found, rate, low, high, correction, judged, _ = made[process]
        assert (found, correction, judged) == (37.5, "listening", 150)
        # Jeffreys' posterior of the precision, by scipy; the chance of misses adds a little.
        assert rate == pytest.approx(37.5 * stats.beta(right + 0.5, 60 - right + 0.5).median(), rel=0.04)
        assert low < rate < high
    ((ratio, mended, low, high),) = con.execute(
        "select ratio, ratio_corrected, ratio_corrected_low, ratio_corrected_high " + COMPARED
    ).fetchall()
    assert ratio == 1.0
    assert mended == pytest.approx(0.75, abs=0.04)
    assert low < mended < high


def test_misses_heard_raise_the_rate():
    tables = two_takes()
    told = joined(
        *(heard(tables, name, finds=60, changes=100, missed=missed) for name, missed in (("x1", 20), ("x2", 0)))
    )
    _, made = by_process(**joined(tables, told))
    # All hundred changes without a find were judged, twenty of them slides: 80 slides for 60 finds.
    assert made["acoustic"][1] == pytest.approx(37.5 * 80 / 60, rel=0.08)
    assert made["electrical"][1] == pytest.approx(37.5, rel=0.05)


def test_slides_planted_and_not_found_raise_the_rate_of_such_sound():
    tables = joined(two_takes(), planted("x1", found=60, of=100), planted("x2", found=98, of=100))
    _, made = by_process(**tables)
    assert made["acoustic"][4:] == ("recovery", 0, 100)
    assert made["acoustic"][1] == pytest.approx(37.5 / 0.6, rel=0.1)
    assert made["electrical"][1] == pytest.approx(37.5 / 0.98, rel=0.05)
    assert made["acoustic"][2] < 37.5 / 0.6 < made["acoustic"][3]


def test_what_two_groups_rest_on_counts_once_and_only_transfers_that_stand_count():
    tables = two_takes()
    tables["take"] = [row | {"process": "acoustic"} for row in tables["take"]]
    other = {"transfer": [{"transfer_id": "x1-other", "side_id": "x1", "file": "other.wav"}]}
    taught = {"teaching": [{"teacher_id": "ann", "student_id": "bo", "certainty": "certain"}]}
    plantings = (planted("x1", found=30, of=40), planted("x2", found=30, of=30), planted("x1-other", found=9, of=20))
    con = database("player", "corpus", results=("comparison",), **joined(tables, other, taught, *plantings))
    for view in ("slides_in_corpus", "slides_by_player", "teacher_and_student"):
        assert set(rows(con, f"summary.{view}", "planted")) == {(70,)}
    assert rows(con, "stage.counted_planting", "count(*)", "count(distinct transfer_id)") == [(70, 2)]


def test_a_take_of_which_half_the_slides_are_missed_and_a_doubtful_speed_are_doubts():
    speed = [
        {"transfer_id": name, "state": "estimated", "offset_cents": 0.0, "offset_low_cents": -12.4,
         "offset_high_cents": 8.6, "estimated_state": "estimated"}
        for name in ("x1", "x2")
    ]  # fmt: skip
    read = [{"transfer_id": name, "rank": 1, "probability": p} for name, p in (("x1", 0.63), ("x2", 0.8))]
    tables = joined(
        two_takes(), planted("x1", found=98, of=100), planted("x2", found=50, of=100),
        {"speed": speed, "speed_alternative": read},
    )  # fmt: skip
    con = database(results=("slides_per_find",), **tables)
    told = {
        what: (key, words) for what, key, words in rows(con, "summary.missing_or_doubtful", "what", "id", "explanation")
    }
    assert told["take with many slides missed"][0] == "t-x2"
    assert told["doubtful speed"][0] == "x1"
    assert "63 % likely; the correction may be -12 to +9 cents (95 %)" in told["doubtful speed"][1]
    # Nobody has listened to any: one row, with the slides of both.
    assert told["player nobody has listened to"] == ("all 2", "none of 120 slides found was reviewed by ear")


def test_listening_says_how_many_and_recovery_how_they_lie():
    tables = two_takes()
    # Thirty finds and sixty changes are judged in all: one stratum. Half the slides of x1 are found, all of x2; those
    # shorter than 160 ms tell that lengths are measured without an error.
    tables["slide"] = [row | {"duration_ms": 150.0} for row in tables["slide"]]
    told = joined(*(heard(tables, name, finds=20, changes=40) for name in ("x1", "x2")))
    tables = joined(tables, told, *(planted(name, found=n, of=100, ms=150.0) for name, n in (("x1", 50), ("x2", 99))))
    con, made = by_process(**tables)
    whole = rows(con, "summary.slides_in_corpus", "slides_per_100_transitions_corrected", "correction", "judged")
    assert whole[0][1:] == ("listening and recovery", 120)
    assert made["acoustic"][1] / made["electrical"][1] == pytest.approx(2.0, rel=0.15)
    assert whole[0][0] == pytest.approx(37.5, rel=0.06)


def test_short_slides_that_are_missed_count_in_lengths_and_kinds_too():
    tables = two_takes()
    tables["slide"] = [
        row | ({"duration_ms": 70.0, "kind": "two_finger"} if n % 5 < 2 else {"duration_ms": 250.0})
        for n, row in enumerate(tables["slide"])
    ]
    told = [
        row
        for name in ("x1", "x2")
        for found, ms in ((40, 70.0), (100, 250.0))
        for row in planted(name, found=found, of=100, ms=ms)["recovery"]
    ]
    rows_planted = [row | {"recovery_id": f"r{n}"} for n, row in enumerate(told)]
    con = database("corpus", "kind", results=("finger_share",), **joined(tables, {"recovery": rows_planted}))
    ((found, there),) = rows(con, "summary.slides_in_corpus", "duration_median_ms", "duration_median_corrected_ms")
    assert found == 250
    assert there == 70
    ((low, high, size, steep),) = rows(
        con, "summary.slides_in_corpus", "duration_q1_corrected_ms", "duration_q3_corrected_ms",
        "interval_median_corrected_cents", "gradient_median_corrected_cents_per_s",
    )  # fmt: skip
    assert (low, high) == (70, 250)
    ((found_size, found_steep),) = rows(
        con, "summary.slides_in_corpus", "interval_median_cents", "gradient_median_cents_per_s"
    )
    assert (size, steep) == pytest.approx((found_size, found_steep))  # all alike in these
    by_kind = dict(rows(con, "summary.slides_by_kind", "kind", "duration_median_corrected_ms"))
    assert by_kind == {"two_finger": 70, "same_finger": 250}
    shares = {kind: pair for kind, *pair in rows(con, "summary.slides_by_kind", "kind", "share_of_slides",
                                                 "share_of_slides_corrected")}  # fmt: skip
    assert shares["two_finger"][0] == pytest.approx(0.4)
    # 48 found of 120, and 72: three in five of the short ones were missed.
    assert shares["two_finger"][1] == pytest.approx(120 / 192, abs=0.05)
    by_player = rows(con, "summary.fingers_by_player", "share_two_finger", "share_two_finger_corrected")
    assert by_player == [(pytest.approx(0.4), pytest.approx(120 / 192, abs=0.05))] * 2


def test_a_grouping_without_groups_has_no_corrected_quartiles():
    tables = two_takes()
    con = database("school", results=("quartile",), **joined(tables, planted("x1", found=60, of=100)))
    assert rows(con, "result.quartile", "grouping", "group_key") == []


def test_no_share_of_transitions_exceeds_all_of_them():
    tables = two_takes()
    tables["slide"] += [
        slide("x1", "t-x1", 1000.0 + n, kind="into_note", from_note_id=None, to_note_id=f"x1-n{3000 * n + 1000}")
        for n in range(3)
    ]
    tables["solo_span"][0] |= {"transfer_end_s": 2000.0}
    con = database("kind", "player", "corpus", **tables)
    kinds = rows(con, "summary.slides_by_kind", "kind", "slides", "slides_per_100_transitions")
    assert kinds == [("into_note", 3, None), ("same_finger", 120, 37.5)]
    assert rows(con, "summary.slides_by_player", "player_id", "slides", "slides_per_100_transitions") == [
        ("ann", 63, 37.5),
        ("bo", 60, 37.5),
    ]


def test_finds_fall_into_the_same_classes_in_sql_and_in_python():
    import duckdb

    rng = np.random.default_rng(1)
    ms, cents = np.exp(rng.uniform(2, 8, 500)), rng.uniform(-1500, 1500, 500)
    kind = rng.choice(["same_finger", "into_note", "arriving_finger", "departing_finger", "two_finger"], 500)
    broken = ~np.isin(kind, ["same_finger", "into_note"])
    given = Plantings(np.zeros(500, dtype=int), ms, cents / 100, broken)
    with duckdb.connect() as con:
        made = [
            con.execute(
                f"select {class_sql()} from (select $1 as duration_ms, $2 as interval_cents, $3 as found_kind)",
                [float(a), float(b), str(c)],
            ).fetchone()[0]
            for a, b, c in zip(ms, cents, kind, strict=True)
        ]
    assert made == classes(given).tolist()


def test_confidences_follow_enough_verdicts_that_contradict_them():
    tables = two_takes()
    tables["slide"] = [row | {"confidence": 0.95} for row in tables["slide"]]
    tables["transition"] = [row | {"slide_score": -3.0} for row in tables["transition"]]

    def confidence_here(finds, changes):
        told = joined(*(heard(tables, name, finds=finds, changes=changes, right=0.6) for name in ("x1", "x2")))
        con = database("corpus", results=("recalibration",), **joined(tables, told))
        ((used, verdicts),) = rows(con, "result.recalibration", "used", "verdicts")
        assert verdicts == 2 * (finds + changes)
        ((here,),) = set(rows(con, "export.slide_for_models", "confidence_here"))
        return used, here

    assert confidence_here(20, 20) == ("as learnt", 0.95)
    used, here = confidence_here(60, 90)
    assert used == "shift and line"
    assert abs(here - 0.6) < 0.5 * abs(0.95 - 0.6)


@pytest.mark.parametrize(
    ("hears", "imagines"), [(1.0, 0.0), (0.85, 0.0), (1.0, 0.05)], ids=["perfect", "miss faint ones", "invent"]
)
def test_two_listeners_who_err_in_their_own_ways_give_back_the_planted_rate(hears, imagines):
    tables, rng = two_takes(), np.random.default_rng(4)
    # Of each sixty finds 48 are slides, and ten slides were missed: 58 for 60 finds.
    told = joined(*(heard(tables, name, finds=60, changes=100, right=0.8, missed=10) for name in ("x1", "x2")))
    reviews = []
    for listener in ("lee", "mo"):
        for row in told["review"]:
            says = rng.random() < (hears if row["verdict"] == "slide" else imagines)
            reviews.append(row | {"listener": listener, "verdict": "slide" if says else "no_slide"})
    con = database("corpus", **joined(tables, {"drawn_item": told["drawn_item"], "review": reviews}))
    ((rate, low, high, correction),) = rows(con, "summary.slides_in_corpus", *RATE[1:5])
    assert correction == "listening"
    assert rate == pytest.approx(37.5 * 58 / 60, rel=0.08)
    assert low < 37.5 * 58 / 60 < high
