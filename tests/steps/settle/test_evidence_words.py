"""Evidence for a reading, put into words."""

from dataclasses import replace

import pytest

from pipeline.signal.speed.evidence import Evidence, KeyFit, SessionSpeed
from pipeline.signal.speed.key import Key, StringEvidence
from pipeline.signal.speed.session import Reading
from pipeline.steps.settle.evidence_words import against_key, reason, transposition

D, E_FLAT, E_MINOR = Key(2, False), Key(3, False), Key(4, True)
PLAIN = Evidence("assumed", KeyFit(D, None, True), StringEvidence(0.0, 0, 0, 0.2), (), None, (), None)


def reading(evidence: Evidence | SessionSpeed) -> Reading:
    return Reading(0.0, 1.0, 78.26, 439.96, "D major", 0, (), 0.9, evidence)


@pytest.mark.parametrize(
    ("known", "said"),
    [
        ({}, "key unknown, the notes fit D major best"),
        ({"key": KeyFit(D, D, True)}, "the catalogue's key D major fits"),
        (
            {"key": KeyFit(D, E_FLAT, False)},
            "pitch content fits D major better than the catalogue's E flat major, as if transposed by a semitone down",
        ),
        ({"key": KeyFit(D, E_MINOR, False)}, "pitch content fits D major better than the catalogue's E minor"),
        (
            {"strings": StringEvidence(0.0, 3, 4, 0.6)},
            "key unknown, the notes fit D major best; 3 of 4 notes at open strings without vibrato; "
            "1 note below the lowest string",
        ),
        (
            {
                "changes": ((61.0, -55.0),), "hum": (51.468, 50), "labels": ("a", "b"),
                "session": SessionSpeed(76.034, 4.2, 2),
            },
            "key unknown, the notes fit D major best; the sudden change at 61.00 s taken as -55 cents; "
            "hum at 51.47 Hz becomes 50 Hz; usual at the label (a); usual at the label (b); "
            "the session's other sides lead to expect 76.03 rpm (within 4 cents)",
        ),
    ],
)  # fmt: skip
def test_each_kind_of_evidence_is_said(known: dict[str, object], said: str) -> None:
    assert reason(reading(replace(PLAIN, **known))) == f"A4 = 440 Hz assumed; {said}"


@pytest.mark.parametrize(
    ("rpm", "said"),
    [(None, ""), (77.0, ""), (82.956, "6.0 % faster than 78.26 rpm"), (73.564, "6.0 % slower than 78.26 rpm")],
)
def test_a_rare_speed_is_said_to_be_one(rpm: float | None, said: str) -> None:
    last = reason(replace(reading(PLAIN), playing_rpm=rpm)).split("; ")[-1]
    assert last == (f"the disc would turn {said}" if said else "key unknown, the notes fit D major best")


def test_a_transposed_performance_is_argued_against_a_wrong_speed() -> None:
    printed = replace(reading(replace(PLAIN, key=KeyFit(E_FLAT, E_FLAT, True))), key="E flat major", playing_rpm=82.956)
    lower = replace(PLAIN, key=KeyFit(D, E_FLAT, False), strings=StringEvidence(0.0, 3, 4, 0.0))
    moved = reading(lower)
    assert transposition(printed, moved) == (
        "a transposed performance and a wrong speed sound alike: in E flat major, as printed, at 82.96 rpm, "
        "6.0 % faster than 78.26 rpm; in D major, transposed by a semitone down, at 78.26 rpm, "
        "3 of 4 notes at open strings without vibrato"
    )
    assert transposition(moved, moved) == transposition(reading(PLAIN), moved) == ""


def test_only_a_key_that_does_not_fit_speaks_against_the_catalogue() -> None:
    assert against_key(PLAIN) == against_key(SessionSpeed(78.0, 3.0, 1)) == ""
    assert against_key(replace(PLAIN, key=KeyFit(D, D, True))) == ""
    assert against_key(replace(PLAIN, key=KeyFit(E_MINOR, D, False))).startswith("pitch content fits E minor better")


@pytest.mark.parametrize(
    ("same", "said"),
    [
        (0, "the session's other sides"),
        (1, "other transfers of this side and the session's other sides"),
        (2, "other transfers of this side"),
    ],
)
def test_who_leads_to_expect_a_speed_is_said(same: int, said: str) -> None:
    words = reason(reading(replace(PLAIN, session=SessionSpeed(76.0, 4.0, 2, same))))
    assert words.endswith(f"; {said} lead to expect 76.00 rpm (within 4 cents)")


@pytest.mark.parametrize(("sides", "said"), [(1, "other side plays"), (2, "2 other sides play")])
def test_a_speed_that_is_only_offered_says_so(sides: int, said: str) -> None:
    words = reason(reading(SessionSpeed(76.5, 3.3, sides)))
    assert words.startswith(f"the session's {said} at 76.50 rpm (another within 3 cents of it); ")
    assert words.endswith("so it is not applied")
