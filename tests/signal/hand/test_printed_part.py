"""Written notes meet found notes through omissions, ornaments and false notes."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.signal.hand.printed_part import align


def test_omissions_and_ornaments_are_left_out() -> None:
    written = np.array([60.0, 62, 64, 65, 67, 69, 71, 72])
    found = np.array([60.1, 61.9, 64.1, 66.0, 64.0, 65.1, 69.0, 70.9, 72.0])  # an ornament 66-64; no 67
    match = align(written_midi=written, found_midi=found).match
    assert match[4] == -1
    assert [int(match[i]) for i in (0, 1, 3, 5, 6, 7)] == [0, 1, 5, 6, 7, 8]


def test_nothing_found_or_written() -> None:
    assert align(written_midi=np.array([60.0]), found_midi=np.zeros(0)).match.tolist() == [-1]
    assert align(written_midi=np.zeros(0), found_midi=np.array([60.0])).match.size == 0


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(55, 90), min_size=1, max_size=30), st.integers(0, 10_000))
def test_matches_rise_and_never_share(written: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    kept = rng.random(len(written)) < 0.85
    found = np.array(written, dtype=float)[kept] + rng.normal(0.0, 0.1, int(kept.sum()))
    match = align(written_midi=np.array(written, dtype=float), found_midi=found).match
    used = match[match >= 0]
    assert np.all(np.diff(used) > 0)
    for i, j in enumerate(match):
        assert j < 0 or abs(found[j] - written[i]) <= 0.7


def test_a_clean_performance_is_matched_whole() -> None:
    written = np.array([60.0, 62, 64, 62, 60, 62, 64, 62, 67, 65, 64])
    assert align(written_midi=written, found_midi=written + 0.1).match.tolist() == list(range(11))


def test_an_excerpt_may_begin_anywhere() -> None:
    found = np.array([60.0, 62, 64, 66, 71, 69, 74, 72, 71, 72, 74, 79, 78, 76, 74, 72, 69])
    written = np.array([71.0, 72, 74, 79])
    assert align(written_midi=written, found_midi=found + 0.05).match.tolist() == [8, 9, 10, 11]
    beats = {"written_beats": np.arange(4.0), "found_s": np.arange(17.0)}
    assert align(written_midi=written, found_midi=found + 0.05, **beats).match.tolist() == [8, 9, 10, 11]
