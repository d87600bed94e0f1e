"""Answers of views as sentences with their cautions; the numbers are made, the sentences written out."""

import polars as pl
import pytest

from pipeline.answers.number_words import with_limits
from pipeline.answers.open_corpus import open_corpus
from pipeline.answers.sentences import sentences
from pipeline.store import schema
from pipeline.store.database import views
from tests.helpers.made_rows import corpus_folder, many_players


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    with open_corpus(corpus_folder(tmp_path_factory.mktemp("many"), **many_players())) as corpus:
        yield corpus


def limits(name, value, low, high):
    return {name: value, f"{name}_low": low, f"{name}_high": high}


PERIOD = {
    "period": "Early",
    **limits("slides_per_minute", 2.0, 1.5, 2.8),
    **limits("average_player_per_minute", 1.8, 1.2, 2.6),
    **limits("typical_player_per_minute", 1.6, 1.1, 2.3),
    **limits("standardised_per_100_transitions", None, None, None),
    **limits("slides_per_100_transitions", 10.0, 8.0, 12.0),
    **limits("drawn_per_minute", 2.1, 1.6, 2.7),
    **limits("slides_per_minute_corrected", 2.4, 1.6, 3.6),
    "correction": "listening and recovery",
    "judged": 200,
    "planted": 1,
    "least_per_minute": 1.3,
    "most_per_minute": 2.9,
    "players": 12,
    "takes": 140.0,
    "takes_possible": 212,
    "warning": None,
}
COMPARED = {
    "grouping": "period",
    "group_key": "halves/early",
    "other_key": "halves/late",
    "measure": "slides_per_minute",
    "evidence": "within_players",
    **limits("ratio", 1.6, 1.0, 2.6),
    "ratio_least": None,
    "ratio_most": None,
    **limits("ratio_corrected", None, None, None),
    "correction": "uncorrected",
    "judged": 0,
    "planted": 0,
    "recall_to_equal": 1.6,
    "recall_to_doubt": 1.0,
    "players": 6,
    "p": 0.048,
    "p_holm": 0.144,
    "pairs_in_family": 3,
    "changed_or_replaced_p": 0.4,
    "warning": "few",
}

UNKNOWN = (
    "not corrected for slides missed and invented, of which too little is known; nothing is left of it if 1.60 times "
    "as large a share is found in one as in the other"
)


def test_three_rates_drawn_dates_and_bounds():
    assert sentences("slides_by_period", pl.DataFrame([PERIOD])) == [
        "Early: a minute of this music has 2.00 (1.50–2.80) slides; its players make 1.80 (1.20–2.60) on average, the "
        "one in the middle 1.60 (1.10–2.30); with the uncertain dates of 72 other takes drawn, 2.10 (1.60–2.70); "
        "whatever their dates, between 1.30 and 2.90; corrected for slides missed and invented 2.4 (1.6–3.6) slides "
        "per minute (200 excerpts judged and 1 slide planted in music of such sound) (12 players, 140 takes)."
    ]


def test_bars_are_told_with_what_they_rest_on():
    rate = limits("slides_per_bar", 0.4, 0.2, 0.9)
    counts = {"bars": 62.0, "takes_with_bars": 3.0, "slides_per_bar_warning": "only 3 players: rough interval"}
    (said,) = sentences("slides_by_period", pl.DataFrame([PERIOD | rate | counts]))
    assert "; a bar has 0.40 (0.20–0.90) (62 bars in 3 takes; only 3 players: rough interval); with the" in said
    bar = {"work_id": "air", "work": "Air", "bar_index": 12, "bar": "12a", "slides": 2, "times_played": 5, "players": 3}
    assert sentences("slides_by_bar", pl.DataFrame([bar | rate | {"slides_per_bar_warning": None}])) == [
        "Air, bar 12a: 0.40 (0.20–0.90) slides each time it is played (2 slides in 5 times, 3 players)."
    ]


def test_limits_that_tell_nothing_are_not_told():
    wide = limits("standardised_per_100_transitions", 16.2, 0.0, 524653.0)
    (said,) = sentences("slides_by_period", pl.DataFrame([PERIOD | wide]))
    assert "how many per 100 transitions it would have with everybody's repertoire cannot be told (as" in said
    assert "524653" not in said


def test_takes_that_could_not_be_judged_may_hold_less_or_more():
    (said,) = sentences("slides_by_period", pl.DataFrame([PERIOD | {"takes_not_judged": 35.0}]))
    # A quarter of the takes at half or at twice the rate of 2: seven eighths, five quarters of it.
    assert "with half to twice as many slides in the 35 of 140 takes that could not be judged, 1.75 to 2.5" in said


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (
            {},
            "Slides per minute: 6 players stand in both: they themselves made 1.60 (1.00–2.60) times as many in "
            "period early as in period late; p = .048 (p = .144 allowing for 3 pairs asked at once); "
            + UNKNOWN
            + ". Caution: few.",
        ),
        (
            {
                **limits("ratio_corrected", 1.3, 0.8, 2.1),
                "correction": "recovery",
                "planted": 80,
                "recall_to_equal": 1.3,
            },
            "Slides per minute: 6 players stand in both: they themselves made 1.60 (1.00–2.60) times as many in "
            "period early as in period late; p = .048 (p = .144 allowing for 3 pairs asked at once); corrected for "
            "slides missed 1.30 (0.80–2.10) times (80 slides planted in music of such sound); nothing is left of it if "
            "1.30 times as large a share is found in one as in the other beyond that. Caution: few.",
        ),
        (
            {"changed_or_replaced_p": 0.01, "pairs_in_family": 1, "warning": None},
            "Slides per minute: 6 players stand in both: they themselves made 1.60 (1.00–2.60) times as many in "
            "period early as in period late; p = .048; "
            + UNKNOWN
            + "; those who stand in one only tell otherwise (p = .010): no joined number is given.",
        ),
        (
            {"evidence": "dates_drawn", "p": None, "ratio_least": 1.1, "warning": None},
            "Slides per minute: with the uncertain dates drawn, 1.60 (1.00–2.60) times as many in period early; "
            "whatever the dates, between 1.10 and any; " + UNKNOWN + ".",
        ),
    ],
)
def test_kinds_of_evidence(changed, said):
    assert sentences("comparison", pl.DataFrame([COMPARED | changed])) == [said]


def test_lineage_says_what_it_could_have_found_and_what_it_cannot_tell():
    row = {
        "measure": "observed_over_expected",
        "links": "certain",
        "pairs": 23,
        "teachers": 9,
        "resemblance": 0.31,
        "p": None,
        "p_holm": None,
        "rates_in_family": None,
        "candidates": 4.5,
        "power": 0.38,
        "correction": "listening",
        "warning": "fewer than 30 pairs: no p value",
    }
    (said,) = sentences("lineage_resemblance", pl.DataFrame([row]))
    assert "with 23 pairs an influence of half strength is found in 38 of 100 worlds" in said
    assert "fewer than 30 pairs: no p value" in said
    assert "(rates corrected by listening)" in said
    assert "resemblance in how often they slide +0.31, birth and date taken off" in said
    assert "it cannot tell teaching from choosing a like-minded teacher or a shared town" in said
    assert said.endswith(
        "where they slide is another question, which agreement_of_students asks and may answer otherwise."
    )
    many = {"pairs": 60, "p": 0.012, "p_holm": 0.036, "rates_in_family": 3, "warning": None}
    (said,) = sentences("lineage_resemblance", pl.DataFrame([row | many]))
    assert "birth and date taken off, p = .012 (p = .036 allowing for 3 rates asked at once), against" in said


def test_effects_say_that_age_birth_and_date_are_one_equation():
    row = {
        "model": "birth and recording",
        "measure": "slides_per_minute",
        "term": "a decade later recorded",
        **limits("ratio", 0.74, 0.61, 0.9),
        **limits("ratio_corrected", 0.8, 0.6, 1.1),
        **limits("ratio_negative_binomial", 0.75, 0.63, 0.89),
        "correction": "listening",
        "judged": 150,
        "planted": 0,
        "p": 0.0004,
        "p_holm": 0.0012,
        "terms_in_family": 3,
        "dates": "middles of spans",
        "takes": 36.0,
        "players": 12,
        "reading": "age, birth and date are one equation",
        "warning": None,
    }
    assert sentences("cohort_and_period_effect", pl.DataFrame([row])) == [
        "Slides per minute, a decade later recorded: 0.74 (0.61–0.90) times, p below .001 (p = .001 allowing for 3 "
        "terms asked at once); by negative binomial regression, which fits these takes, 0.75 (0.63–0.89); corrected "
        "for slides missed and invented 0.80 (0.60–1.10) times (150 excerpts judged in music of such sound) (12 "
        "players, 36 takes, dates by the middles of their spans). Caution: age, birth and date are one equation."
    ]


def test_a_number_corrected_by_other_sounds_says_so():
    (said,) = sentences("slides_by_period", pl.DataFrame([PERIOD | {"judged": 0, "planted": 0}]))
    assert "per minute (by what is known of other sounds, for nothing was planted or judged in music of such" in said


def test_rates_that_point_opposite_ways_are_named():
    later = {"period": "Late", "slides_per_minute": 1.5, "slides_per_100_transitions": 12.5}
    said = sentences("slides_by_period", pl.DataFrame([PERIOD, PERIOD | later]))
    assert said[-1] == (
        "By the minute and by 100 transitions 1 of 1 pair stand the other way round, as some play more notes a "
        "minute: Early and Late."
    )
    later["slides_per_100_transitions"] = 9.0
    assert len(sentences("slides_by_period", pl.DataFrame([PERIOD, PERIOD | later]))) == 2


def test_what_all_sentences_share_is_said_once_at_their_end():
    rare = PERIOD | {"warning": "few players; rough"}
    first, second, shared = sentences(
        "slides_by_period", pl.DataFrame([rare, rare | {"period": "Late", "warning": "rough"}])
    )
    assert (first[-33:], second[-12:]) == ("140 takes). Caution: few players.", " 140 takes).")
    assert shared == "For the 2 sentences above, caution: rough."


def test_that_there_is_no_number_is_said_once_or_with_its_rates():
    none = COMPARED | limits("ratio", None, None, None) | {"p": None, "warning": "1 player stands in both"}
    bars = none | {"measure": "slides_per_bar", "warning": "no player stands in both"}
    hundred = none | {"measure": "slides_per_100_transitions"}
    first = COMPARED | {"grouping": "accompaniment"}
    assert sentences("comparison", pl.DataFrame([first, none, hundred, bars]))[:2] == [
        "Slides per minute, slides per 100 transitions: period early against period late: whether the same players "
        "changed cannot be told. Caution: 1 player stands in both.",
        "Slides per bar: period early against period late: whether the same players changed cannot be told. Caution: "
        "no player stands in both.",
    ]
    assert sentences("comparison", pl.DataFrame([none, hundred])) == [
        "Period early against period late: whether the same players changed cannot be told. Caution: 1 player stands "
        "in both."
    ]


# A table of single places, which answers no question by itself.
TABLES = {"passage_matrix"}


def test_every_view_that_answers_a_question_says_it():
    for path in views.query_files("summary"):
        columns = schema.load(path.stem, "summary").polars_schema()
        said = sentences(path.stem, pl.DataFrame(schema=columns))
        assert said == (None if path.stem in TABLES else []), path.stem


def test_views_that_count_say_their_rows(many):
    said = {
        name: sentences(name, many.view(name)) for name in ("slides_by_kind", "slides_by_take", "fingers_by_player")
    }
    minutes = many.view("slides_by_kind")["minutes"][0]
    (kind,) = many.view("slides_by_kind").iter_rows(named=True)
    assert said["slides_by_kind"][0].startswith(f"Same finger: {kind['found_slides']:.0f} slides found, 100 % of all; ")
    # All slides are of one kind, so that players do with it what they do at all.
    (whole,) = many.view("slides_in_corpus").iter_rows(named=True)
    players = [with_limits(*(row[f"{who}_player_per_minute{end}"] for end in ("", "_low", "_high")))
               for row in (kind, whole) for who in ("average", "typical")]  # fmt: skip
    assert players[:2] == players[2:]
    average, typical = players[:2]
    assert said["slides_by_kind"][0].endswith(
        f" a minute; players make {average} on average, the one in the middle {typical} (12 players)."
    )
    assert minutes > 0
    assert len(said["slides_by_take"]) == 36 + 1
    assert said["slides_by_take"][-1].startswith(
        "For the 36 sentences above, caution: rough interval: 1 of the 10 sessions "
    )
    assert said["fingers_by_player"][-1].endswith(" sentences above, caution: 1 of the 3 players that a share needs.")


PLACE = {
    "work_id": "air", "bar": "5", "beat": 2.0, "from_name": "A4", "to_name": "D5", "takes": 6, "reached": 5.0,
    "told": 4.0, "slid": 3.0, "share": 0.75, "share_low": 0.3, "share_high": 0.95,
}  # fmt: skip


@pytest.mark.parametrize(
    ("view", "row", "text"),
    [
        (
            "players_at_place",
            PLACE | {"player": "Ann"},
            "Ann, air, bar 5, beat 2, A4 to D5: slid in 3 of 4 takes that tell, 75 % (30–95 %).",
        ),
        (
            "players_at_place",
            PLACE | {"player": "Ann", "written_place_id": "air-n7", "bar": None, "beat": None, "from_name": "F#5"},
            "Ann, air, place air-n7, F♯5 to D5: slid in 3 of 4 takes that tell, 75 % (30–95 %).",
        ),
        (
            "teacher_and_student",
            {"student": "Bo", "teacher": "Ann", "certainty": "probable"}
            | limits("ratio_per_100_transitions", 0.8, 0.5, 1.3),
            "Bo has 0.80 (0.50–1.30) times the slides per 100 transitions of Ann, who taught (link probable). Caution: "
            "a pair alone shows no influence: lineage_resemblance asks all pairs.",
        ),
        (
            "speed_beside_others",
            {"transfer_id": "t1", "beside": "another transfer of the side", "other_id": "t2", "others": 1,
             "compared": "pitch as corrected, cents", "difference": -98.0, "difference_se": None, "doubtful": True},
            "Transfer t1 beside another transfer of the side (t2): pitch as corrected −98.0 cents (this one "
            "is flatter); one may be read at a wrong speed, or the piece be in another key.",
        ),
        (
            "speed_beside_others",
            {"transfer_id": "t1", "beside": "other takes of the work", "other_id": "k1", "others": 3,
             "compared": "tempo, %", "difference": 4.0, "difference_se": None, "doubtful": False},
            "Transfer t1 beside 3 other takes of the work: tempo +4.0 % (this one is faster); players differ too much "
            "for it to tell a speed.",
        ),
        (
            "speed_beside_others",
            {"transfer_id": "t1", "beside": "the next part of the take", "other_id": "t2", "others": 1,
             "compared": "speed of the disc where they join, cents", "difference": 61.0, "difference_se": 5.0,
             "doubtful": True},
            "Transfer t1 beside the next part of the take (t2): speed of the disc where they join +61.0 ± 9.8 cents "
            "(this one is faster); one may be read at a wrong speed, or the disc have been started at another.",
        ),
        (
            "depends_on_speed",
            {"thing": "take", "id": "t1", "conclusion": "slides per minute", "value": 10.0, "low": 9.4, "high": 10.6,
             "changes": True, "slides": 1},
            "Take t1, slides per minute: 10.00 (9.40–10.60); it depends on the reading of the speed. Caution: 1 of "
            "the 5 slides that a rate needs.",
        ),
        (
            "agreement_between_players",
            {"player": "Ann", "other_player": "Bo", "are_teacher_and_student": True, "places": 40, "kappa": 0.5,
             "beyond": -0.1, "beyond_low": -0.3, "beyond_high": 0.1,
             "warning": "both slid at fewer than 5 places: rough"},
            "Ann and Bo, teacher and student, agree at 40 places where to slide by kappa 0.50, of which −0.10 (−0.30 "
            "to +0.10) is beyond what all do there. Caution: both slid at fewer than 5 places: rough.",
        ),
        (
            "shifts_by_player",
            {"player": "Ann", "chances": 20.0, "warning": None} | limits("share_silent", 0.6, 0.5, 0.7),
            "Ann: of 20 shifts along a string that could be heard, 60 % (50–70 %) are made silently. Caution: too "
            "many silent ones are told, about 15 of 100 shifts, which are not taken off.",
        ),
        (
            "chords_by_school",
            {"school": "North", "notes": 3, "broken": 2.0, "together": 1.0, "cannot_tell": 4.0,
             "warning": "one player: its own spread between players is unknown"}
            | limits("share_broken", 2 / 3, 0.05, 1.0),
            "North, chords of 3 strings: 2 of 3 that tell are broken, 67 % (5–100 %); of 4 one cannot tell. Caution: "
            "one player: its own spread between players is unknown.",
        ),
        (
            "chords_by_school",
            {"school": "North", "notes": 4, "broken": 0.0, "together": 0.0, "cannot_tell": 6.0, "warning": None}
            | limits("share_broken", None, None, None),
            "North, chords of 4 strings: of none one can tell whether it is broken (6 heard).",
        ),
        (
            "agreement_of_students",
            {"taught": 4, "others": 3, "mean_taught": 0.43, "mean_others": -0.27, "p": None,
             "warning": "fewer than 30 pairs: no p value"},
            "4 pairs of teacher and student agree where to slide by +0.43 beyond what all do, 3 other pairs by −0.27. "
            "Caution: fewer than 30 pairs: no p value; years of birth and recording are left out, and people of one "
            "time agree too; how often they slide is another question, which lineage_resemblance asks and may answer "
            "otherwise.",
        ),
        (
            "slides_by_transition",
            {"grouping": "school", "group_key": "towns/north", "semitones": "3 to 4", "direction": "rising",
             "slur": "slurred", "transitions": 80.0, "slides": 12.0, "slides_per_100_transitions": 15.0, "players": 2},
            "School north, rising by 3 to 4 semitones, slurred: 15 slides per 100 of 80 such transitions (2 players). "
            "Caution: 2 of the 3 players that a share needs.",
        ),
        (
            "place_effect",
            {"sentence": "At the same places north slid more.", "warning": "only 5 players: rough interval",
             "odds_ratio": 2.0, "odds_ratio_low": 1.1, "odds_ratio_high": 4.0, "p": 0.04, "p_holm": 0.12,
             "pairs_in_family": 3, "unmatched_odds_ratio": 0.5, "coverage": 0.61},
            "At the same places north slid more; odds ratio within places 2 (1.1–4), p = .040 (p = .120 allowing for 3 "
            "pairs asked at once): no difference is shown, and none is ruled out; over all that either plays, "
            "whatever the places, 0.5, of which 61 % lies at those places. Caution: only 5 players: rough interval.",
        ),
    ],
)  # fmt: skip
def test_one_row_of_a_view_in_words(view, row, text):
    assert sentences(view, pl.DataFrame([row])) == [text]


def test_a_view_of_other_things_has_no_sentences():
    assert sentences("take_for_models", pl.DataFrame({"take_id": ["t"]})) is None
