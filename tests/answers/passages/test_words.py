"""A passage in words: who slides where, of how many that can be told; bars as they are typed."""

from dataclasses import replace
from typing import Any

import pytest

from pipeline.answers.passages import editions
from pipeline.answers.passages.bars import Stretch, stretch
from pipeline.answers.passages.gather import Passage, TakeRow
from pipeline.answers.passages.words import by_group, group_rows, ranked_places, sentences, table
from pipeline.errors import UsageError

NAMES = ("A4", "C5", "F5", "A5", "G5")
EVENTS = [
    {"event": i, "bar": "21" if i < 4 else "22", "bar_index": 21 if i < 4 else 22, "beat": float(i if i < 4 else i - 3)}
    | {"name": name, "is_grace": False, "slide_marked": i == 3}
    for i, name in enumerate(NAMES, start=1)
]
PLACES = {
    i: {"from_event": i - 1, "to_event": i, "bar": EVENTS[i - 2]["bar"], "beat": EVENTS[i - 2]["beat"]}
    | {"from_name": NAMES[i - 2], "to_name": NAMES[i - 1]}
    for i in range(2, 6)
}
SIGNS = {"/": ("slid", 300.0), "\\": ("slid", -200.0), ".": ("not_slid", None), "?": ("cannot_tell", None)}
SIGNS["-"] = ("not_reached", None)


def _take(take_id: str, player: str, school: str, signs: str, *, again: int = 1, shift: int = 0) -> TakeRow:
    steps: dict[int, dict[str, Any]] = {}
    for event, sign in enumerate(signs, start=2):
        outcome, cents = SIGNS[sign]
        steps[event] = {"from_event": event - 1, "to_event": event, "outcome": outcome, "interval_cents": cents}
        steps[event] |= {"duration_ms": 100.0 + event if cents else None, "kind": "same_finger" if cents else None}
        steps[event] |= {
            "weight": 1.0,
            "reason": None,
            "from_string": "A",
            "from_finger": event - 2,
            "to_string": "A",
            "to_finger": event - 1,
            "p_hand": 0.9,
        }
    return TakeRow(take_id, f"{take_id}-t", again, player, player, school, None, 1902, "1902", "certain", shift, steps)


def _passage(*takes: TakeRow) -> Passage:
    return Passage(
        work={"work_id": "air", "title": "Air"},
        reference="Ed 1898",
        stretch=Stretch(1, 5, "bars 21–22"),
        events=EVENTS,
        places=PLACES,
        printed={"Ed 1898": {1: {"string": "A", "finger": 0, "slide_marked": False}}},
        takes=list(takes),
        passed_by=["late-take"],
        unlike=[("odd-take", "its notes are not those of the part")],
        followed=[],
        taught=[],
        chords=[],
    )


PASSAGE = _passage(
    _take("quill-02", "quill", "north", "./\\?", shift=2),
    _take("quill-02", "quill", "north", "--/.", again=2),
    _take("brack-03", "brack", "south", "//..", again=1),
)


def test_each_take_has_its_signs_fingers_and_counts() -> None:
    lines = list(table(PASSAGE, width=100))
    assert lines[0].split() == ["bar", "21", "22"]
    assert lines[2].split() == ["written", "A4", "C5", "F5", "~", "A5", "G5"]
    quill, again, brack, slid, of = lines[4:]
    assert quill.split() == ["quill-02", "+2", "0A", ".", "1A", "/", "2A", "\\", "3A", "?", "4A", "2", "of", "3"]
    assert again.split()[:3] == ["quill-02", "(2nd", "time)"]
    assert again.split()[-3:] == ["1", "of", "2"]
    assert brack.split()[-3:] == ["2", "of", "4"]
    assert slid.split() == ["slid", "1", "2", "2", "0"]
    assert of.split() == ["of", "2", "2", "3", "2"]


def test_a_narrow_terminal_gets_bar_below_bar() -> None:
    lines = list(table(PASSAGE, width=50))
    assert max(map(len, lines)) <= 50
    assert sum(line.startswith("bar") for line in lines) == 2


def test_sentences_name_the_place_most_slid_and_who_is_missing() -> None:
    said = list(sentences(PASSAGE))
    assert said[0] == "Most slid: bar 21 beat 2, C5 to F5: 2 of 2, median 103 ms, same finger 2."
    assert said[1].startswith("In all 5 of 9 (56 %, 95 % limits 27–81 % ")  # Wilson 1927, by hand: .267 to .811
    assert said[1].endswith("in 2 takes of 2 players.")
    assert said[2:] == ["Not reached by late-take.", "odd-take: its notes are not those of the part."]


def test_groups_are_counted_where_all_of_them_play() -> None:
    # By hand: shares weigh .5, .5, 2/3, .5; above 2 * 1 / 3, below 1 * 1 / 2 (Mantel and Haenszel 1959).
    (said,) = by_group(PASSAGE, "school")
    assert said == (
        "At the 4 places that both play: north 54 % against south 46 %; odds ratio within places 1.3 "
        "(2 of the 3 players that an interval needs); 2 players."
    )
    (alone,) = by_group(_passage(_take("quill-02", "quill", "north", "./\\?")), "school")
    assert alone == "No place here was played in more than one school."
    third = _take("wren-09", "wren", "west", "/.\\.")
    assert list(by_group(_passage(*PASSAGE.takes, third), "school"))[-1].startswith("3 pairs are compared at once")


def test_each_group_has_a_row_of_its_own() -> None:
    north, south = (line for line in table(PASSAGE, width=100, by="school") if line.startswith(("north", "south")))
    assert north.split() == ["north", "0/1", "1/1", "2/2", "0/1", "3", "of", "5"]
    assert south.split() == ["south", "1/1", "1/1", "0/1", "0/1", "2", "of", "4"]
    # Wilson 1927, by hand: 3 of 5 .231 to .882, 2 of 4 .150 to .850.
    assert group_rows(PASSAGE, "school") == [
        ("north", "1", "1", "3", "5", "60 % (23–88 %)"),
        ("south", "1", "1", "2", "4", "50 % (15–85 %)"),
    ]


def test_places_are_ranked_by_share_and_by_how_players_differ() -> None:
    most, differ = ranked_places(PASSAGE)
    assert [place["to_event"] for place in most] == [3, 4, 2]  # 2 of 2, 2 of 3, 1 of 2
    assert differ[0]["to_event"] in (2, 4)
    assert 3 not in [place["to_event"] for place in differ]


def _followed(state: str, take_id: str = "quill-02", **of: Any) -> dict[str, Any]:
    return {"take_id": take_id, "edition": "Ed 1898", "state": state} | of


def test_what_speaks_for_an_edition_is_said_with_its_counts() -> None:
    counts = {
        "shifts": 7.0,
        "shifts_slid": 5.0,
        "others": 9.0,
        "others_slid": 0.5,
        "fingers": 0.0,
        "fingers_alike": 0.0,
    }
    logs = {"log10_ratio": 0.9, "log10_ratio_low": -0.3, "log10_ratio_high": 4.2, "against_others": None}
    told = _followed("told", **counts, **logs, verdict="cannot_tell")
    passage = replace(
        PASSAGE, followed=[told, _followed("too_little", "brack-03", places=6), _followed("other_music", "odd-take")]
    )
    (line,) = editions.lines(passage)
    assert line == ("quill-02", "Ed 1898", "5 of 7", "0.5 of 9", "", "7.9 (0.5–>1000)", "", "cannot tell")
    assert editions.refused(passage) == [
        "Which edition is followed cannot be told of Ed 1898: brack-03: 6 of the 10 places that an answer needs, "
        "of which the edition says whether the hand moves, or with which finger.",
        "Other music than the edition has, so nothing is said of it: Ed 1898: odd-take.",
    ]
    assert len(editions.HEADS) == len(line)


def _told(low: float, verdict: str, **of: Any) -> dict[str, Any]:
    counts = dict.fromkeys(("shifts", "shifts_slid", "others", "others_slid", "fingers", "fingers_alike"), 1.0)
    logs = {"log10_ratio": 1.5, "log10_ratio_low": low, "log10_ratio_high": 3.0, "against_others": None}
    return _followed("told", **counts | logs | of, verdict=verdict)


def test_a_limit_that_is_hardly_not_one_is_not_shown_as_one() -> None:
    passage = replace(PASSAGE, followed=[_told(0.004, "followed")])
    assert editions.lines(passage)[0][5] == "32 (>1–1000)"
    assert editions.caution(passage).endswith("it may lie on the other side.")
    assert "other side" not in editions.caution(replace(PASSAGE, followed=[_told(0.3, "followed")]))


def test_a_student_is_set_beside_the_edition_of_the_teacher() -> None:
    taught = [{"player_id": "quill", "teacher": "Old Ed", "edition": "Ed 1898", "certainty": "probable"}]
    others = {"against_others": 0.7, "against_others_low": 0.1, "against_others_high": 2.0}
    passage = replace(PASSAGE, taught=taught, followed=[_told(0.3, "followed", **others)])
    assert editions.of_teachers(passage) == [
        "quill-02: quill, student of Old Ed (teaching probable), follows that teacher's edition (Ed 1898): what is "
        "heard is 32 times as likely (95 % limits 2–1000) if it is followed as by chance, and 5 times as likely (95 % "
        "limits 1.3–100) as if another edition is followed."
    ]
    few = replace(passage, followed=[_followed("too_little", places=3), _followed("told", "brack-03")])
    assert editions.of_teachers(few) == [
        "quill-02: whether quill, student of Old Ed (teaching probable), follows that teacher's edition (Ed 1898) "
        "cannot be told: 3 of the 10 places that an answer needs."
    ]
    assert editions.of_teachers(replace(passage, taught=[])) == []


def test_too_few_places_for_all_are_one_sentence() -> None:
    (said,) = editions.refused(
        replace(PASSAGE, followed=[_followed("too_little", places=3), _followed("too_little", "brack-03", places=12)])
    )
    assert said.startswith("Which edition is followed cannot be told: the edition says the same of all 12 places")


@pytest.mark.parametrize(
    ("bars", "first", "last"), [(None, 1, 5), ("21", 1, 4), ("21-22", 1, 5), ("22", 4, 5), ("21:2", 2, 3)]
)
def test_bars_as_typed(bars: str | None, first: int, last: int) -> None:
    meant = stretch(EVENTS, bars)
    assert (meant.first, meant.last) == (first, last)


@pytest.mark.parametrize(
    ("bars", "said"),
    [
        ("x", "cannot be read; write 21, 21-24"),
        ("7", "there is no bar 7; the part has bars 21 to 22"),
        ("22-21", "runs backwards; write 21-22"),
        ("21:9", "bar 21 has nothing on beat 9"),
    ],
)
def test_wrong_bars_are_named(bars: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        stretch(EVENTS, bars)


def test_a_take_that_comes_by_again_is_told_apart_at_80_columns() -> None:
    again = replace(PASSAGE.takes[1], take_id="quillfeather-1902")
    assert any(line.startswith("quillfeather-1902 (2nd time) ") for line in table(_passage(again), width=80))
    # Of one that may be other music the label and a sentence say so.
    steps = {2: again.steps[2] | {"outcome": "cannot_tell", "reason": "repeat_unsure"}}
    doubtful = _passage(replace(again, take_id="quillfeather-1902-b", steps=steps))
    assert any(line.startswith("quillfeather-1902-b (2nd time?) ") for line in table(doubtful, width=80))
    (said,) = [text for text in sentences(doubtful) if "place_decision.csv" in text]
    assert said.startswith("quillfeather-1902-b (2nd time?): fewer than 8 notes in a row")
