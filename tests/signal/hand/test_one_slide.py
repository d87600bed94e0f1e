"""One slide by itself: the worked cases (common practice), and what no hand can do."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.kinds import KINDS
from pipeline.signal.hand.fingerboard import OPEN, fingerboard, stopping_fingers
from pipeline.signal.hand.one_slide import Way, ways_of_slide

VIOLIN = fingerboard("violin")


def _ways(kind: str, a: float, b: float, *, step: tuple[float, float] | None = None, before: bool = True) -> list[Way]:
    kinds = np.full(6, 0.02)
    kinds[KINDS.index(kind)] = 0.9
    one, other = step or (np.nan, np.nan)
    return ways_of_slide(
        board=VIOLIN,
        kinds=kinds,
        from_midi=a,
        to_midi=b,
        step_from_midi=one,
        step_to_midi=other,
        note_before=before,
    )


def _told(ways: list[Way]) -> set[tuple[str, int, int, int, int]]:
    return {(VIOLIN.strings[w.string], w.from_finger, w.to_finger, w.from_position, w.to_position) for w in ways}


def test_first_finger_slides_and_fourth_lands() -> None:
    # F sharp 5 up to A5, then a step to D6 (common practice): first to third position on the E string, or fifth to
    # seventh on the A string.
    ways = _ways("departing_finger", 78.1, 86.0, step=(81.1, 86.0))
    assert (ways[0].from_finger, ways[0].to_finger) == (1, 4)
    assert ways[0].kind == "departing_finger"
    assert _told(ways[:1]) == {("E", 1, 4, 1, 3)}
    assert ("A", 1, 4, 5, 7) in _told(ways)


@pytest.mark.parametrize("step", [1.0, 2.0])
def test_a_step_of_one_or_two_semitones_in_the_glide_is_neighbouring_fingers(step: float) -> None:
    ways = _ways("two_finger", 71.0, 78.0, step=(74.1, 74.1 + step))
    neighbours = sum(w.probability for w in ways if w.to_finger - w.from_finger == 1)
    assert neighbours > 0.6 * sum(w.probability for w in ways)
    assert ways[0].to_finger - ways[0].from_finger == 1


def test_a_rising_slide_into_a_note_with_none_before_is_a_shift_made_there() -> None:
    ways = _ways("into_note", 79.0, 83.0, before=False)
    assert ways
    assert all(w.to_place - w.from_place == 4 and w.kind == "into_note" for w in ways)


def test_one_finger_keeps_its_string_and_moves_by_the_interval() -> None:
    best = _ways("same_finger", 71.0, 76.0)[0]
    assert best.from_finger == best.to_finger
    assert abs(best.to_place - best.from_place - 5) <= 1


def test_arriving_finger_steps_in_the_old_position() -> None:
    # B4 with 1 in first position, 3 falls on D5 and glides to G5: third position, or fourth by spelling.
    best = _ways("arriving_finger", 71.0, 79.0, step=(71.0, 74.0))
    assert ("A", 1, 3, 1, 3) in _told(best[:3])


def test_a_glide_beyond_the_target_turns_the_fingers_round() -> None:
    # Falling to below the target and a step back up: the lower finger travels, a higher one lands.
    best = _ways("departing_finger", 76.0, 72.0, step=(69.9, 72.0))[0]
    assert best.to_finger > best.from_finger


def test_a_semitone_off_in_the_break_changes_the_answer_only_as_much_as_its_error() -> None:
    sure = _ways("departing_finger", 78.0, 86.0, step=(81.0, 86.0))
    between = _ways("departing_finger", 78.0, 86.0, step=(81.5, 86.0))
    assert between[0].probability < sure[0].probability


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(("violin", "viola", "cello")),
    st.floats(36, 100),
    st.floats(-14, 14),
    st.floats(-5, 5),
    st.sampled_from(KINDS),
)
def test_every_way_is_possible(instrument: str, start: float, rise: float, off: float, kind: str) -> None:
    board = fingerboard(instrument)
    kinds = np.full(6, 0.02)
    kinds[KINDS.index(kind)] = 0.9
    ways = ways_of_slide(
        board=board,
        kinds=kinds,
        from_midi=start,
        to_midi=start + rise,
        step_from_midi=start + rise + off,
        step_to_midi=start + rise,
        note_before=kind != "into_note",
    )
    assert sum(w.probability for w in ways) <= 1.0 + 1e-9
    for way in ways:
        # One string for both notes, and neither below it; hands on the fingerboard.
        assert start + rise >= board.open_midi[way.string] - 0.7
        assert kind == "into_note" or start >= board.open_midi[way.string] - 0.7
        assert 0 <= way.from_place <= board.highest_place
        assert 0 <= way.to_place <= board.highest_place
        assert {way.from_finger, way.to_finger} <= {OPEN, *stopping_fingers(board)}
