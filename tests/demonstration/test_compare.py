"""Found against planted, on rows made by hand."""

import polars as pl
import pytest

from pipeline.demonstration.compare import HandCounts, compare_hands, compare_slides, compare_speeds


def _planted(start, end, *, interval=3.0, kind="same_finger", double=0):
    return {
        "transfer_id": "t",
        "transfer_start_s": start - 0.02,
        "transfer_end_s": end + 0.02,
        "transfer_audible_start_s": start,
        "transfer_audible_end_s": end,
        "from_midi": 70.0,
        "to_midi": 70.0 + interval,
        "kind": kind,
        "in_double_stop": double,
    }


def _found(start, end, *, cents=300.0, kind="same_finger"):
    return {
        "transfer_id": "t",
        "transfer_audible_start_s": start,
        "transfer_audible_end_s": end,
        "interval_cents": cents,
        "kind": kind,
    }


def test_slides_match_by_overlap_and_direction():
    planted = pl.DataFrame(
        [
            _planted(1.0, 1.2),
            _planted(2.0, 2.2, interval=-2.0),
            _planted(3.0, 3.2, kind="two_finger"),
            _planted(4.0, 4.2),
            _planted(5.0, 5.2, double=1),
        ]
    )
    found = pl.DataFrame(
        [
            _found(1.01, 1.22, cents=310.0),
            _found(2.0, 2.2, cents=200.0),  # the wrong way
            _found(3.0, 3.2, kind="same_finger"),
            _found(4.15, 4.35),  # too little in common
            _found(5.0, 5.2),  # beside a double stop
            _found(9.0, 9.2),
        ]
    )
    counts = compare_slides(found, planted)
    assert (counts.planted, counts.found, counts.right, counts.kinds_right) == (4, 5, 2, 1)
    assert counts.precision == pytest.approx(0.4)
    assert counts.recall == pytest.approx(0.5)
    assert counts.onset_ms == pytest.approx(5.0)
    assert counts.kinds == {"same_finger": (3, 1, 1), "two_finger": (1, 1, 0)}


def test_what_is_found_on_a_side_without_slides_is_false():
    found = pl.DataFrame([{**_found(1.0, 1.2), "transfer_id": "quiet"}])
    counts = compare_slides(found, pl.DataFrame([_planted(1.0, 1.2)]))
    assert (counts.planted, counts.found, counts.right) == (1, 1, 0)


def test_one_found_slide_counts_once():
    planted = pl.DataFrame([_planted(1.0, 1.2), _planted(1.1, 1.3)])
    counts = compare_slides(pl.DataFrame([_found(1.05, 1.25)]), planted)
    assert (counts.right, counts.found) == (1, 1)


def test_speed_errors_whole_and_modulo_a_semitone():
    found = pl.DataFrame({"transfer_id": ["a", "b"], "offset_cents": [12.0, -57.0], "wow_cents": [None, 3.0]})
    planted = pl.DataFrame({"transfer_id": ["a", "b"], "offset_cents": [10.0, 45.0], "wow_cents": [None, 3.0]})
    compared = compare_speeds(found, planted)
    assert compared["error_cents"].to_list() == pytest.approx([2.0, -102.0])
    assert compared["error_modulo_semitone_cents"].to_list() == pytest.approx([2.0, -2.0])


def test_hands_need_string_and_finger():
    planted = pl.DataFrame(
        {
            "transfer_id": ["t"] * 3,
            "start_s": [0.0, 1.0, 2.0],
            "end_s": [1.0, 2.0, 3.0],
            "string": ["A", "A", "E"],
            "finger": [1, 2, 0],
        }
    )
    note = pl.DataFrame({"transfer_id": ["t"] * 2, "note_id": ["n1", "n2"], "start_s": [0.1, 1.0], "end_s": [0.9, 2.0]})
    hand = pl.DataFrame(
        {
            "note_id": ["n1", "n1", "n2", "n2", "n2", "n2"],
            "speed_rank": [1, 1, 1, 1, 1, 2],
            "rank": [1, 2, 2, 1, 3, 1],
            "string": ["A", "D", "A", "D", "G", "A"],
            "finger": [1, 3, 2, 2, 4, 2],
            "probability": [0.9, 0.1, 0.3, 0.65, 0.05, 1.0],
            "in_set": [True, False, True, True, False, True],
        }
    )
    found = compare_hands(note, hand, planted)
    # By hand: right at 0.9, wrong at 0.65, each alone in its bin; half of (0.1 + 0.65).
    assert found == HandCounts(planted=3, found=2, right=1, in_set=2, calibration_error=pytest.approx(0.375))
