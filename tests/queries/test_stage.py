"""Views of the layer ``stage``: made rows in, expected rows out."""

import networkx as nx
import numpy as np
import pytest

from tests.helpers.made_rows import OTHER_SHA, SHA, facts, joined, rows, side, slide, small, solo, verdict

CERTAINTIES = ("possible", "probable", "certain")


def analysed(*columns, **tables):
    return rows(facts(**tables), "stage.analysed_take", *columns)


def test_the_transfer_that_stands_for_a_take():
    # x1 is measured; x0 is not, though its id comes first; x2 is never to stand.
    tables = joined(
        side("x0", "t1"), side("x1", "t1"), side("x2", "t1", stands_for_take=False),
        {"take": [{"take_id": "t1"}], "solo_span": [solo("x1", "t1", None, to=9), solo("x2", "t1", None, to=9)]},
    )  # fmt: skip
    made = analysed("take_id", "part", "transfer_id", "candidates", "chosen_by", "state", "reason", **tables)
    assert made == [("t1", 0, "x1", 2, "rule", "judged", None)]


@pytest.mark.parametrize(
    ("first", "second", "stands"),
    [
        ({"generation": "dub"}, {"generation": "original"}, "x2"),
        ({"generation": "dub"}, {}, "x2"),
        ({"generation": "tape_copy"}, {"generation": "remaster"}, "x1"),
        ({"already_corrected": "yes"}, {"already_corrected": "no"}, "x2"),
        ({"generation": "original"}, {"stands_for_take": True, "generation": "remaster"}, "x2"),
        ({}, {}, "x1"),
    ],
)
def test_rule_for_two_measured_transfers(first, second, stands):
    tables = joined(
        side("x1", "t1", **first),
        side("x2", "t1", **second),
        {"take": [{"take_id": "t1"}], "solo_span": [solo(x, "t1", None, to=9) for x in ("x1", "x2")]},
    )
    assert analysed("transfer_id", **tables) == [(stands,)]


def test_a_take_in_two_parts_has_two_transfers_unless_the_whole_is_measured():
    parts = joined(
        side("x1", "t1", part=1),
        side("x2", "t1", part=2),
        {"take": [{"take_id": "t1"}], "solo_span": [solo("x1", "t1", None, to=9), solo("x2", "t1", None, to=9)]},
    )
    assert analysed("part", "transfer_id", **parts) == [(1, "x1"), (2, "x2")]
    unmeasured_whole = joined(parts, side("x3", "t1"))
    assert analysed("part", "transfer_id", **unmeasured_whole) == [(1, "x1"), (2, "x2")]
    whole = joined(unmeasured_whole, {"solo_span": [solo("x3", "t1", None, to=18)]})
    assert analysed("part", "transfer_id", **whole) == [(0, "x3")]


def test_why_a_take_is_not_judged():
    tables = joined(
        side("x1", "t1"), side("x2", "t2"), side("x3", "t3"), side("x5", "t5"),
        {
            "take": [{"take_id": f"t{n}"} for n in range(1, 6)],
            "solo_span": [solo("x1", "t1", None, to=9, counted=False, reason="a voice plays too")],
            "run": [
                {"transfer_id": "x2", "step": "intake", "outcome": "failed", "message": "not audio"},
                {"transfer_id": "x2", "step": "follow", "outcome": "failed", "message": "no samples"},
                {"transfer_id": "x5", "step": "settle", "outcome": "cannot_tell", "message": "no tuning"},
            ],
        },
    )  # fmt: skip
    assert analysed("take_id", "transfer_id", "state", "reason", **tables) == [
        ("t1", "x1", "not_judged", "a voice plays too"),
        ("t2", "x2", "not_judged", "intake: not audio"),
        ("t3", "x3", "not_judged", "not measured yet"),
        ("t4", None, "not_judged", "no transfer stands for it"),
        ("t5", "x5", "not_judged", "not measured yet"),
    ]


def test_ancestors_by_every_path():
    # a taught b and c; both taught d; c taught d twice, once surely.
    links = [("a", "b", "certain"), ("a", "c", "possible"), ("b", "d", "probable"), ("c", "d", "possible")]
    teaching = [{"teacher_id": t, "student_id": s, "certainty": c, "span": "1900"} for t, s, c in links]
    teaching.append({"teacher_id": "c", "student_id": "d", "certainty": "certain", "span": "1905"})
    con = facts(teaching=teaching)
    columns = ("player_id", "ancestor_id", "generations", "longest_path", "paths", "certainty", "weakest_certainty")
    assert rows(con, "stage.ancestor", *columns) == [
        ("b", "a", 1, 1, 1.0, "certain", "certain"),
        ("c", "a", 1, 1, 1.0, "possible", "possible"),
        ("d", "a", 2, 2, 2.0, "probable", "possible"),
        ("d", "b", 1, 1, 1.0, "probable", "probable"),
        ("d", "c", 1, 1, 1.0, "certain", "certain"),
    ]


def test_ancestors_of_a_random_lineage_as_networkx():
    rng = np.random.default_rng(3)
    pairs = {tuple(sorted(pair)) for pair in rng.choice(30, (60, 2)).tolist() if pair[0] != pair[1]}
    graph = nx.DiGraph([(f"p{student:02d}", f"p{teacher:02d}") for teacher, student in pairs])
    sure = {edge: CERTAINTIES[int(rng.integers(3))] for edge in graph.edges}
    con = facts(teaching=[{"teacher_id": t, "student_id": s, "certainty": c} for (s, t), c in sure.items()])
    found = rows(con, "stage.ancestor", "*")
    expected = []
    for player in graph:
        for ancestor in nx.descendants(graph, player):
            paths = list(nx.all_simple_paths(graph, player, ancestor))
            lengths = [len(path) - 1 for path in paths]
            weakest = [min(CERTAINTIES.index(sure[link]) for link in nx.utils.pairwise(path)) for path in paths]
            certainties = (CERTAINTIES[max(weakest)], CERTAINTIES[min(weakest)])
            expected.append((player, ancestor, min(lengths), max(lengths), len(paths), *certainties))
    assert found == sorted(expected)
    assert len(found) > 100


def test_chains_of_forty_generations_and_circles_come_to_an_end():
    # Two teachers each, both of the generation before: 2 ^ 39 ways up from the last to the first.
    links = [(f"{g:02d}{i}", f"{g + 1:02d}{k}") for g in range(40) for i in "ab" for k in "ab"]
    con = facts(teaching=[{"teacher_id": t, "student_id": s, "certainty": "certain"} for t, s in links])
    top = con.execute(
        "select generations, longest_path, paths from stage.ancestor where player_id = '40a' and ancestor_id = '00b'"
    ).fetchall()
    assert top == [(40, 40, 2.0**39)]
    assert con.execute("select count(*) from stage.ancestor").fetchall() == [(4 * 40 * 41 // 2,)]
    circle = [("a", "b"), ("b", "c"), ("c", "a"), ("x", "y")]
    con = facts(teaching=[{"teacher_id": t, "student_id": s, "certainty": "certain"} for t, s in circle])
    assert ("y", "x") in rows(con, "stage.ancestor", "player_id", "ancestor_id")


def judged(*reviews, run=()):
    tables = joined(small(), {"review": list(reviews), "run": list(run)})
    return rows(facts(**tables), "stage.judged_slide", "slide_id", "origin", "verdict", "listeners", "kind", "is_slide")


FIRST, SECOND = ("x1-s1000", "found"), ("x1-s2000", "found")
UNHEARD = (None, 0, "same_finger", True)


def test_slides_without_verdicts_count():
    assert judged() == [(*FIRST, *UNHEARD), (*SECOND, *UNHEARD)]


def test_the_majority_counts_and_a_tie_leaves_what_was_found():
    made = judged(
        verdict(1.0, "no_slide", "lee"), verdict(1.05, "no_slide", "mo"), verdict(1.0, "slide", "nan"),
        verdict(2.0, "slide", "lee", kind="two_finger"), verdict(2.0, "no_slide", "mo"),
    )  # fmt: skip
    assert made == [
        (*FIRST, "no_slide", 3, "same_finger", False),
        (*SECOND, "cannot_tell", 2, "two_finger", True),
    ]
    assert judged(verdict(1.0, "cannot_tell", "lee"))[0] == (*FIRST, "cannot_tell", 1, "same_finger", True)


def test_a_listeners_kind_wins_and_the_last_word_of_each_counts():
    made = judged(
        verdict(1.0, "no_slide", "lee", day="2026-01-01"),
        verdict(1.02, "slide", "lee", day="2026-01-02", kind="arriving_finger"),
        verdict(2.0, "slide", "lee", kind="two_finger"),
        verdict(2.0, "slide", "mo", kind="into_note"),
    )
    assert made == [
        (*FIRST, "slide", 1, "arriving_finger", True),
        (*SECOND, "slide", 2, "cannot_tell", True),
    ]


def test_verdicts_attach_by_overlap_only():
    # A third of the way: 0.1 of 0.3 s is above 0.3, 0.05 of 0.35 s is below it and attaches to nothing.
    assert judged(verdict(1.1, "no_slide", "lee"))[0] == (*FIRST, "no_slide", 1, "same_finger", False)
    assert judged(verdict(1.15, "no_slide", "lee")) == [(*FIRST, *UNHEARD), (*SECOND, *UNHEARD)]


def test_a_missed_slide_is_added():
    made = judged(verdict(7.0, "slide", "lee", kind="into_note"), verdict(9.0, "no_slide", "lee"))
    assert made == [
        ("x1-a7000", "added", "slide", 1, "into_note", True),
        (*FIRST, *UNHEARD),
        (*SECOND, *UNHEARD),
    ]


def test_a_slide_somewhere_in_a_long_stretch_is_not_added():
    assert judged(verdict(7.0, "slide", "lee", end=10.0)) == [(*FIRST, *UNHEARD), (*SECOND, *UNHEARD)]
    assert len(judged(verdict(7.0, "slide", "lee", end=10.0), verdict(8.0, "slide", "lee", end=9.4))) == 3


def test_a_slide_heard_at_a_drawn_change_is_not_added_but_one_that_was_found_is_kept():
    drawn = {"sample_id": "sample-1", "transfer_id": "x1", "transfer_end_s": 7.2, "samples_sha256": SHA, "stratum": ""}
    items = [
        drawn | {"item_id": "a", "transfer_start_s": 7.0, "drawn_from": "transition"},
        drawn | {"item_id": "b", "transfer_start_s": 9.0, "drawn_from": "slide"},
    ]
    heard = [verdict(at, "slide", "lee") | {"sample_id": "sample-1"} for at in (7.0, 9.0)]
    con = facts(**joined(small(), {"review": heard, "drawn_item": items}))
    assert rows(con, "stage.judged_slide", "slide_id", "origin") == [("x1-a9000", "added"), FIRST, SECOND]


def test_verdicts_given_for_other_samples_wait():
    heard = {"transfer_id": "x1", "step": "intake", "samples_sha256": SHA, "outcome": "done"}
    assert judged(verdict(1.0, "no_slide", "lee", sha=OTHER_SHA), run=[heard])[0] == (*FIRST, *UNHEARD)
    assert judged(verdict(1.0, "no_slide", "lee"), run=[heard])[0] == (*FIRST, "no_slide", 1, "same_finger", False)


def test_slides_far_apart_do_not_share_a_verdict():
    tables = joined(small(), {"slide": [slide("x1", "t1", 1.25)], "review": [verdict(1.0, "no_slide", "lee")]})
    made = rows(facts(**tables), "stage.judged_slide", "slide_id", "verdict")
    assert made == [("x1-s1000", "no_slide"), ("x1-s1250", None), ("x1-s2000", None)]
