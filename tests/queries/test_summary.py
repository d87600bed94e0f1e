"""Views of the layer ``summary``: made rows in, expected rows out; rates worked by hand."""

import io
from itertools import pairwise

import numpy as np
import polars.selectors as cs
import pytest
from rich.console import Console
from scipy import stats

from pipeline.answers.number_words import with_limits
from pipeline.answers.sentences import sentences
from pipeline.cli.tables import print_table
from pipeline.steps.summarise.results import result_tables
from pipeline.store import schema
from pipeline.store.database import views
from tests.helpers.made_rows import database, joined, many_players, rows, side, slide, small, solo, tallies

RATES = ("slides_per_minute", "slides_per_100_transitions", "slides_per_100_slurred_transitions")
COUNTS = ("takes", "takes_not_judged", "players", "minutes", "transitions", "slurred_transitions", "slides")


@pytest.fixture(scope="module")
def con():
    made = tallies(**small())
    results = result_tables(made, seed=1, replicates=200)
    views.create_layers(made, results, layers=("result", "summary", "export", "check"))
    return made


def test_by_player(con):
    assert rows(con, "summary.slides_by_player", "player_id", "player", "born", *COUNTS, *RATES) == [
        # Ann: 2 slides in 2 minutes, 4 transitions, all slurred. Bo: none in 1 minute, 2 transitions, none slurred.
        ("ann", "Ann", "1880", 1, 0, 1, 2.0, 4, 4, 2, 1.0, 50.0, 50.0),
        ("bo", "Bo", "1899/1900", 2, 1, 1, 1.0, 2, 0, 0, 0.0, 0.0, None),
    ]
    quartiles = ("duration_q1_ms", "duration_median_ms", "duration_q3_ms", "interval_median_cents", "share_rising")
    # Durations 100 and 200, sizes 300 and 500, type 7; one of two rises.
    assert rows(con, "summary.slides_by_player", "player_id", *quartiles) == [
        ("ann", 125.0, 150.0, 175.0, 400.0, 0.5),
        ("bo", None, None, None, None, None),
    ]
    gradients = rows(con, "summary.slides_by_player", "gradient_q1_cents_per_s", "gradient_q3_cents_per_s")
    # 1500 up and 5000 down, without their signs.
    assert gradients[0] == (2375.0, 4125.0)


def test_the_count_beside_a_rate_is_what_the_rate_was_made_from_and_what_listeners_left_stands_apart(con):
    rejected = {
        "transfer_id": "x1", "listener": "lee", "judged_on": "2026-01-01", "samples_sha256": "a" * 64,
        "transfer_start_s": 1.0, "transfer_end_s": 1.2, "verdict": "no_slide",
    }  # fmt: skip
    heard = tallies(**joined(small(), {"review": [rejected]}))
    views.create_layers(heard, result_tables(heard, seed=1, replicates=200), layers=("result", "summary"))
    counts = ("found_slides", "slides", "minutes", "slides_per_minute")
    assert rows(heard, "summary.slides_by_player", "player_id", *counts)[0] == ("ann", 2.0, 1.0, 2.0, 1.0)
    assert rows(heard, "summary.slides_by_take", "take_id", *counts)[0] == ("t1", 2, 1, 2.0, 1.0)
    for view in ("slides_by_kind", "slides_by_kind_and_direction", "slides_by_interval"):
        for found, minutes, rate in rows(heard, f"summary.{view}", "found_slides", "minutes", "slides_per_minute"):
            assert rate == pytest.approx(found / minutes), view
    said = sentences("slides_by_take", heard.sql("from summary.slides_by_take order by take_id").pl())
    assert "2 slides found, 1 accepted by ear" in said[0]
    for verdicts, shown in ((heard, True), (con, False)):
        frame = verdicts.sql("from summary.slides_by_player").pl()
        told = io.StringIO()
        print_table(frame, schema.load("slides_by_player", "summary"), console=Console(file=told, width=500))
        assert "slides found" in told.getvalue()
        assert ("accepted by ear" in told.getvalue()) == shown


def test_limits_of_one_session_suppose_a_spread_and_say_so(con):
    # Garwood 1936: 2 slides give 0.242 to 7.225, none gives 0 to 3.689; Ann in 2 minutes, Bo in 1. One session whose
    # rate may be anyone's: no slides have chance p^2 with p = 2 / (2 + mean), 0.025 at 2 (0.025^-0.5 - 1) = 10.649;
    # two or fewer have p^2 (1 + 2 q + 3 q^2), 0.025 at 27.59; two or more 1 - p^2 (1 + 2 q), 0.025 at 0.2082.
    limits = ("slides_per_minute_low", "slides_per_minute_high", "slides_per_minute_poisson_high")
    assert rows(con, "summary.slides_by_player", "player_id", *limits) == [
        ("ann", *(pytest.approx(x, abs=5e-4) for x in (0.2082 / 2, 27.592 / 2, 7.225 / 2))),
        ("bo", *(pytest.approx(x, abs=5e-4) for x in (0, 10.649, 3.689))),
    ]
    warnings = rows(con, "summary.slides_by_player", "clusters", "cluster_unit", "warning")
    assert [row[:2] for row in warnings] == [(1, "session")] * 2
    assert all(
        row[2].startswith("rough interval: 1 of the 10 sessions ") and "spread between sessions guessed" in row[2]
        for row in warnings
    )


def test_by_school_counts_by_share(con):
    assert rows(con, "summary.slides_by_school", "scheme", "school_id", "school", *COUNTS, *RATES[:2]) == [
        ("towns", "north", "North", 1, 0, 1, 2.0, 4, 4, 2, 1.0, 50.0),
        ("towns", "south", "South", 1, 0.5, 1, 0.5, 1, 0, 0, 0.0, 0.0),
        ("towns", "unplaced", "in no school", 1, 0.5, 1, 0.5, 1, 0, 0, 0.0, 0.0),
    ]


def test_by_period_counts_only_takes_certainly_of_it(con):
    # Ann's take may be of 1909 or of 1910: it stands in neither half of the decades as a part.
    assert rows(con, "summary.slides_by_period", "scheme", "period_id", "period", "span", *COUNTS, *RATES[:2]) == [
        ("halves", "late", "Late", "1910/1919", 1, 0, 1, 1.0, 2, 0, 0, 0.0, 0.0),
        ("halves", "uncertain", "uncertain", None, 1, 0, 1, 2.0, 4, 4, 2, 1.0, 50.0),
        ("halves", "undated", "undated", None, 1, 1, 0, 0, 0, 0, 0, None, None),
    ]


def test_bounds_of_a_period_hold_whatever_the_dates(con):
    # Late is certainly Bo's minute without a slide; with Ann's two slides in two minutes it would be 2 in 3.
    columns = ("period_id", "least_per_minute", "most_per_minute", "least_per_100_transitions")
    assert rows(con, "summary.slides_by_period", *columns) == [
        ("late", 0.0, pytest.approx(2 / 3), 0.0),
        ("uncertain", None, None, None),
        ("undated", None, None, None),
    ]


def test_by_school_and_period(con):
    columns = ("school_scheme", "school_id", "period_scheme", "period_id", "takes", "slides", "minutes", RATES[0])
    assert rows(con, "summary.slides_by_school_and_period", *columns) == [
        ("towns", "north", "halves", "uncertain", 1, 2, 2.0, 1.0),
        ("towns", "south", "halves", "late", 0.5, 0, 0.5, 0.0),
        ("towns", "south", "halves", "undated", 0.5, 0, 0, None),
        ("towns", "unplaced", "halves", "late", 0.5, 0, 0.5, 0.0),
        ("towns", "unplaced", "halves", "undated", 0.5, 0, 0, None),
    ]


def test_by_cohort_year_process_work_and_corpus(con):
    # Bo was born in 1899 or 1900: no decade is certain.
    assert rows(con, "summary.slides_by_cohort", "cohort", "takes", "slides", "minutes", RATES[0]) == [
        ("1880s", 1, 2, 2.0, 1.0),
        ("unknown", 2, 0, 1.0, 0.0),
    ]
    assert rows(con, "summary.slides_by_cohort_and_period", "cohort", "period_id", "takes", "slides") == [
        ("1880s", "uncertain", 1, 2),
        ("unknown", "late", 1, 0),
        ("unknown", "undated", 1, 0),
    ]
    assert rows(con, "summary.slides_by_year", "year", "takes", "slides", RATES[0]) == [
        (1912, 1, 0, 0.0),
        (None, 2, 2, 1.0),
    ]
    assert rows(con, "summary.slides_by_process", "process", "takes", "slides", RATES[0]) == [
        ("acoustic", 2, 2, pytest.approx(2 / 3)),
        ("unknown", 1, 0, None),
    ]
    assert rows(con, "summary.slides_by_accompaniment", "accompaniment", "takes", "takes_not_judged") == [
        ("unknown", 2, 0),
        ("voice", 1, 1),
    ]
    assert rows(con, "summary.slides_by_instrument", "instrument", "takes", "slides") == [("violin", 3, 2)]
    assert rows(con, "summary.slides_by_work", "work", "takes", "players", "slides", RATES[0]) == [
        ("Air", 2, 2, 2, pytest.approx(2 / 3)),
        ("unknown work", 1, 0, 0, None),
    ]
    assert rows(con, "summary.slides_by_work_and_player", "work", "player", "slides", RATES[0]) == [
        ("Air", "Ann", 2, 1.0),
        ("Air", "Bo", 0, 0.0),
        ("unknown work", "Bo", 0, None),
    ]
    assert rows(con, "summary.slides_in_corpus", *COUNTS, *RATES) == [
        (3, 1, 2, 3.0, 6, 4, 2, pytest.approx(2 / 3), pytest.approx(100 / 3), 50.0)
    ]


def test_one_rate_has_the_same_limits_wherever_it_is_told(con):
    names = tuple(f"{name}{end}" for name in RATES[:2] for end in ("", "_low", "_high"))
    # Ann made one take; her player's and her take's row are of the same session.
    ann = rows(con, "summary.slides_by_player", "player_id", *names)[0][1:]
    assert rows(con, "summary.slides_by_take", "take_id", *names)[0][1:] == ann
    (said, *_) = sentences("slides_by_take", con.sql("from summary.slides_by_take order by take_id").pl())
    assert with_limits(*ann[:3]) in said


def test_by_take_shows_zero_and_what_could_not_be_judged(con):
    columns = ("take_id", "player", "state", "reason", "slides", "slides_per_minute", "slides_per_100_transitions")
    assert rows(con, "summary.slides_by_take", *columns) == [
        ("t1", "Ann", "judged", None, 2, 1.0, 50.0),
        ("t2", "Bo", "judged", None, 0, 0.0, 0.0),
        ("t3", "Bo", "not_judged", "a voice plays too", None, None, None),
    ]


def test_by_kind_and_interval(con):
    columns = ("slides", "share_of_slides", "players_with_slide", "minutes", "slides_per_minute")
    assert rows(con, "summary.slides_by_kind", "kind", *columns) == [
        ("same_finger", 2, 1.0, 1, 3.0, pytest.approx(2 / 3))
    ]
    assert rows(con, "summary.slides_by_kind_and_direction", "kind", "direction", *columns[:2]) == [
        ("same_finger", "falling", 1, 0.5),
        ("same_finger", "rising", 1, 0.5),
    ]
    # All six transitions are rising thirds, and both slides stand on two of them, though one is heard to fall.
    columns = ("direction", "semitones", "slides", "transitions", "slides_per_100_transitions")
    assert rows(con, "summary.slides_by_interval", *columns) == [
        ("falling", 3, 1, 0, None),
        ("rising", 3, 1, 6, pytest.approx(100 / 3)),
    ]


def test_by_kind_of_change_and_what_anybody_would_slide(con):
    columns = ("grouping", "group_key", "semitones", "direction", "slur", "transitions", "slides", "players")
    made = rows(con, "summary.slides_by_transition", *columns, "slides_per_100_transitions")
    kinds = [("3 to 4", "rising", "separate", 2, 0, 1, 0.0), ("3 to 4", "rising", "slurred", 4, 2, 1, 50.0)]
    assert [row for row in made if row[0] == "corpus"] == [("corpus", "corpus", *kind) for kind in kinds]
    # Bo belongs to the south by half.
    south = ("school", "towns/south", "3 to 4", "rising", "separate", 1, 0, 1, 0.0)
    assert [row for row in made if row[1] == "towns/south"] == [south]
    expected = rows(con, "export.take_for_models", "take_id", "slid_transitions", "expected_slides")
    assert [row[:2] for row in expected] == [("t1", 2), ("t2", 0), ("t3", None)]
    # What anybody would slide sums to what all slid.
    assert sum(row[2] or 0 for row in expected) == pytest.approx(2, rel=1e-3)


def test_teacher_beside_student(con):
    columns = ("teacher", "student", "certainty", "teacher_slides", "student_slides", "student_minutes")
    rates = ("teacher_slides_per_minute", "student_slides_per_minute", "ratio_per_100_transitions")
    assert rows(con, "summary.teacher_and_student", *columns, *rates) == [
        ("Ann", "Bo", "probable", 2, 0, 1.0, 1.0, 0.0, 0.0)
    ]


def test_lineage_by_generation_and_by_player(con):
    columns = ("ancestor", "generation", "players", "takes", "takes_not_judged", "slides", "minutes", RATES[0])
    assert rows(con, "summary.lineage_by_generation", *columns) == [
        ("Ann", 0, 1, 1, 0, 2, 2.0, 1.0),
        ("Ann", 1, 1, 2, 1, 0, 1.0, 0.0),
    ]
    columns = ("ancestor_id", "player_id", "generation", "longest_path", "paths", "certainty", "takes", "slides")
    assert rows(con, "summary.lineage_by_player", *columns) == [("ann", "bo", 1, 1, 1, "probable", 2, 0)]


def test_lineage_goes_by_the_shortest_path():
    # ann - bo - cy and ann - cy: cy stands one generation below ann, and two by the longest path.
    links = [("ann", "bo", "certain"), ("bo", "cy", "possible"), ("ann", "cy", "probable")]
    tables = joined(
        {
            "player": [{"player_id": p, "name": p} for p in ("ann", "bo", "cy")],
            "teaching": [{"teacher_id": t, "student_id": s, "certainty": c} for t, s, c in links],
        },
        *(
            joined(
                side(f"x{player}", f"t{player}"),
                {
                    "take": [{"take_id": f"t{player}"}],
                    "performance": [{"take_id": f"t{player}", "player_id": player, "certainty": "certain"}],
                    "solo_span": [solo(f"x{player}", f"t{player}", player, to=60)],
                    "slide": [slide(f"x{player}", f"t{player}", float(n)) for n in range(count)],
                },
            )
            for player, count in (("ann", 8), ("bo", 4), ("cy", 2))
        ),
    )
    con = database("lineage", **tables)
    made = rows(con, "summary.lineage_by_generation", "ancestor_id", "generation", "players", "slides", RATES[0])
    assert made == [
        ("ann", 0, 1, 8, 8.0),
        ("ann", 1, 2, 6, 3.0),
        ("bo", 0, 1, 4, 4.0),
        ("bo", 1, 1, 2, 2.0),
    ]
    columns = ("ancestor_id", "player_id", "generation", "longest_path", "paths", "certainty", "weakest_certainty")
    assert rows(con, "summary.lineage_by_player", *columns)[1] == ("ann", "cy", 1, 2, 2, "probable", "possible")


def test_generations_stand_beside_what_birth_alone_would_give():
    # Each student is born twenty years after the teacher and slides half as often: birth alone tells all of it.
    people = [f"p{k}" for k in range(5)]
    tables = joined(
        {
            "player": [{"player_id": p, "name": p, "born": str(1800 + 20 * k)} for k, p in enumerate(people)],
            "teaching": [{"teacher_id": t, "student_id": s, "certainty": "certain"} for t, s in pairwise(people)],
        },
        *(
            joined(
                side(f"x{p}", f"t{p}"),
                {
                    "take": [{"take_id": f"t{p}"}],
                    "performance": [{"take_id": f"t{p}", "player_id": p, "certainty": "certain"}],
                    "solo_span": [solo(f"x{p}", f"t{p}", p, to=240)],
                    "slide": [slide(f"x{p}", f"t{p}", float(n)) for n in range(192 // 2**k)],
                },
            )
            for k, p in enumerate(people)
        ),
    )
    con = database("lineage", results=("lineage_test",), **tables)
    columns = ("generation", RATES[0], "expected_from_birth_per_minute")
    made = [row for row in rows(con, "summary.lineage_by_generation", "ancestor_id", *columns) if row[0] == "p0"]
    assert [row[1] for row in made] == list(range(5))
    # Half a slide is added to each count before its logarithm is taken: 4 % of the 12 slides of the last.
    assert [row[3] for row in made] == pytest.approx([row[2] for row in made], rel=0.06)
    # Four pairs get no p, and what is left beside birth resembles nobody.
    tested = rows(con, "summary.lineage_resemblance", "measure", "links", "pairs", "teachers", "p")
    assert ("slides_per_minute", "certain", 4, 4, None) in tested


def test_who_was_never_judged_is_told_why_in_a_narrow_table():
    tables = small()
    tables["player"].append({"player_id": "cy", "name": "Cy"})
    tables["performance"] = [
        row | ({"player_id": "cy"} if row["take_id"] == "t3" else {}) for row in tables["performance"]
    ]
    frame = database("player", **tables).sql("select * from summary.slides_by_player order by player_id").pl()
    assert frame["warning"][2] == "no solo counted: a voice plays too"
    assert not any(warning.startswith("no solo counted") for warning in frame["warning"][:2])
    out = io.StringIO()
    print_table(frame, schema.load("slides_by_player", "summary"), console=Console(file=out, width=80))
    assert {"judged", "counted:"} <= set(out.getvalue().split())


def test_what_is_missing_or_doubtful(con):
    made = rows(con, "summary.missing_or_doubtful", "what", "id")
    assert made == [
        ("doubtful attribution", "t2"),
        ("player nobody has listened to", "all 2"),
        ("player without recording days", "all 2"),
        ("take that could not be judged", "t3"),
        ("take without a date", "t3"),
    ]


@pytest.fixture(scope="module")
def many():
    made = tallies(**many_players())
    listed = [name for (name,) in made.execute("select grouping from tally.grouping").fetchall()]
    results = result_tables(made, seed=1, replicates=500, groupings=[name for name in listed if name != "take"])
    views.create_layers(made, results, layers=("result", "summary", "export", "check"))
    return made


def test_totals_over_schools_periods_and_cohorts_equal_totals_over_players(many):
    sums = {
        view: many.execute(f"select sum(takes), sum(slides), sum(minutes), sum(transitions) from {view}").fetchall()[0]
        for view in (
            "summary.slides_by_player", "summary.slides_by_school", "summary.slides_by_period",
            "summary.slides_by_school_and_period", "summary.slides_by_cohort", "summary.slides_by_year",
            "summary.slides_by_process", "summary.slides_by_work", "summary.slides_in_corpus",
        )
    }  # fmt: skip
    for view, total in sums.items():
        assert total == pytest.approx(sums["summary.slides_by_player"]), view


def test_schools_are_compared_and_the_planted_half_is_found(many):
    columns = ("group_key", "other_key", "ratio", "ratio_low", "ratio_high", "difference", "shared_clusters")
    made = many.execute(
        f"select {', '.join(columns)} from summary.comparison "
        "where grouping = 'school' and measure = 'slides_per_100_transitions' and evidence = 'music_as_recorded'"
    ).fetchall()
    assert len(made) == 1
    first, second, ratio, low, high, difference, shared = made[0]
    assert (first, second, shared) == ("towns/north", "towns/south", 0)
    assert low < 2 < high
    # By the recipe above, north has 2 (27 + 33 + 30) slides and south 2 (14 + 13 + 16), over equal transitions.
    assert ratio == pytest.approx(180 / 86)
    assert difference > 0
    assert low > 1


FEW = "in the smaller group 3 of the 4 players that a ratio needs"


def test_groups_of_three_players_give_no_ratio_and_say_why():
    con = database("school", "corpus", results=("comparison",), **many_players(players=6))
    made = con.sql("select * from summary.comparison").pl()
    assert made["evidence"].unique().to_list() == ["music_as_recorded"]
    assert all(column.is_null().all() for column in made.select(cs.starts_with("ratio", "difference")))
    assert set(made["warning"]) == {FEW}
    assert made["slides_per_minute"].null_count() == made["other_slides_per_minute"].null_count() == 0
    assert sentences("comparison", made) == [f"School north against school south: no ratio. Caution: {FEW}."]


def test_schools_differ_by_their_players_too(many):
    made = many.execute(
        "select evidence, players, ratio, p, p_holm, pairs_in_family from summary.comparison "
        "where grouping = 'school' and measure = 'slides_per_100_transitions' and evidence <> 'music_as_recorded'"
    ).fetchall()
    # Six players of each school, none of both: their typical players are the centres of the logarithms.
    counts = {school: [sum((8 + n % 3 + k) // part for k in range(3)) for n in range(first, 12, 2)]
              for school, first, part in (("north", 0, 1), ("south", 1, 2))}  # fmt: skip
    logs = [np.log(np.array(counts[school]) + 0.5) for school in ("north", "south")]
    other = stats.ttest_ind(*logs, equal_var=False)
    assert len(made) == 1
    assert made[0][:2] == ("between_players", 12)
    assert made[0][2:] == pytest.approx((np.exp(logs[0].mean() - logs[1].mean()), other.pvalue, other.pvalue, 1))


def test_three_rates_of_a_group_answer_three_questions(many):
    made = many.execute(
        "select rate, average_player_per_100_transitions, typical_player_per_100_transitions, players "
        "from (select slides_per_100_transitions as rate, * from summary.slides_by_school where school_id = 'north')"
    ).fetchall()
    counts = np.array([sum(8 + n % 3 + k for k in range(3)) for n in range(0, 12, 2)])
    # 60 transitions each: with equal exposure the first two agree but for the half slide and chance's part.
    assert made[0][0] == pytest.approx(100 * counts.sum() / 360)
    assert made[0][1] == pytest.approx(100 * counts.sum() / 360, rel=0.03)
    assert made[0][2] == pytest.approx(100 * np.exp(np.log(counts + 0.5).mean()) / 60)
    assert made[0][3] == 6


def test_players_of_a_random_effect_are_drawn_to_the_others(many):
    made = many.execute(
        "select rate, shrunken_rate, shrunken_rate_low, shrunken_rate_high, typical_rate, player_spread, players, "
        "method from summary.player_effect where measure = 'slides_per_minute' order by player_id"
    ).fetchall()
    assert len(made) == 12
    assert all(row[6:] == (12, "grid") and row[5] > 0 for row in made)
    assert all(row[2] < row[1] < row[3] for row in made)
    drawn = [abs(np.log(row[1] / row[4])) < abs(np.log(row[0] / row[4])) for row in made]
    assert sum(drawn) >= 10


def test_birth_and_recording_have_separate_effects(many):
    made = many.execute(
        "select term, ratio_low, ratio, ratio_high, takes, players from summary.cohort_and_period_effect "
        "where model = 'birth and recording' and measure = 'slides_per_minute' order by term"
    ).fetchall()
    assert [row[0] for row in made] == ["a decade later born", "a decade later recorded"]
    assert all(row[1] < row[2] < row[3] and row[4:] == (36, 12) for row in made)


def test_the_same_facts_give_the_same_results_whatever_the_order_of_rows(many):
    backwards = {name: given[::-1] for name, given in many_players().items()}
    groupings = ("player", "school", "kind")
    both = [
        result_tables(tallies(**tables), seed=1, replicates=500, groupings=groupings, tables=("estimate", "comparison"))
        for tables in (many_players(), backwards)
    ]
    assert both[0]["estimate"].equals(both[1]["estimate"])
    assert both[0]["comparison"].equals(both[1]["comparison"])
    # Nor do other groupings change them.
    whole = many.execute("select * from result.estimate where grouping in ('player', 'school', 'kind')").fetchall()
    assert whole == both[0]["estimate"].rows()


def test_a_take_whose_players_cannot_be_told_apart_names_them_all():
    tables = small()
    tables["performance"].append({"take_id": "t3", "player_id": "ann", "instrument": "violin", "certainty": "certain"})
    con = database("take", **tables)
    made = dict(rows(con, "summary.slides_by_take", "take_id", "player"))
    assert made == {"t1": "Ann", "t2": "Bo", "t3": "Ann / Bo"}
