"""Whose bow stroke carries a slide: where the loudness dips says whether the new stroke begins with it or after it."""

import numpy as np
import pytest

from pipeline.signal.slides import stroke
from pipeline.signal.slides.frames import Frames
from pipeline.units import Floats

START, END = 200.0, 230.0


def frames_of(level_db: Floats) -> Frames:
    n = level_db.size
    time = np.arange(n) * 0.0058
    full = np.ones(n)
    return Frames(time, time, 69.0 * full, full, full, level_db, level_db, level_db, 0.0 * full, 0.0058, 440.0)


def dipping(*places: float) -> Floats:
    """A steady level with a dip of 9 dB and 50 ms before each place, and the sharp rise of a new stroke at it."""
    level = np.random.default_rng(3).normal(-10.0, 0.2, 430)
    for place in places:
        at = np.arange(round(place) - 9, round(place))
        level[at] -= 9.0 * np.linspace(0.2, 1.0, at.size)
    return level


def test_a_dip_where_the_slide_begins_is_a_new_stroke_with_the_slide() -> None:
    new = stroke.probabilities(stroke.signs(frames_of(dipping(START)), start=START, end=END), rebowed=0.98)
    old = stroke.probabilities(stroke.signs(frames_of(dipping(END)), start=START, end=END), rebowed=0.98)
    assert stroke.named(new) == "after"
    assert stroke.named(old) == "before"
    assert sum(new) == pytest.approx(1.0)
    assert new[2] == pytest.approx(0.02)


def test_no_sign_or_like_signs_at_both_ends_tell_nothing() -> None:
    for level in (dipping(), dipping(START, END)):
        before, after, _ = stroke.probabilities(stroke.signs(frames_of(level), start=START, end=END), rebowed=1.0)
        assert 0.1 < before < 0.9
        assert 0.1 < after < 0.9


def test_one_stroke_is_named_only_where_it_is_likely() -> None:
    assert stroke.named((0.1, 0.1, 0.8)) == "both"
    assert stroke.named((0.35, 0.25, 0.4)) == "cannot_tell"


def test_unknown_levels_give_no_signs() -> None:
    silent = np.full(430, np.nan)
    assert stroke.signs(frames_of(silent), start=START, end=END).tolist() == [0.0] * len(stroke.NAMES)
