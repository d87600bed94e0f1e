"""How sure it is that a line is the right player's: by the chain's odds, its level, and how unlike the players are."""

from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.signal.voices.certain import above_usual_db, loud_enough, right
from pipeline.units import Floats

HOP_S = 0.01


@dataclass(frozen=True)
class Known:
    """A line on an even grid."""

    time_s: Floats
    f0_hz: Floats
    confidence: Floats
    level_db: Floats


def line(level_db: Floats) -> Known:
    n = level_db.size
    time_s = np.arange(n, dtype=np.float64) * HOP_S
    return Known(time_s, np.full(n, 440.0), np.where(np.isfinite(level_db), 0.9, 0.0), level_db)


def played(*levels_db: float) -> Known:
    """A second of each level; NaN: silent."""
    return line(np.repeat(np.array(levels_db, dtype=np.float64), round(1.0 / HOP_S)))


def test_a_level_is_held_against_the_lines_usual_one_and_silence_says_nothing() -> None:
    above = above_usual_db(played(-20.0, -20.0, -26.0, float("nan"), -20.0))
    assert above[50] == pytest.approx(0.0)
    assert above[250] == pytest.approx(-6.0)
    assert above[350] == 0.0


def test_doubt_grows_with_softness_and_shrinks_with_players_who_are_unlike() -> None:
    solo, like, softer = played(-20.0, -20.0, -30.0), played(*[-20.0] * 3), played(*[-32.0] * 3)
    straight = np.full(solo.level_db.size, 0.8)
    assert right(straight, solo, like)[250] < right(straight, solo, like)[50] < right(straight, solo, softer)[50]


def test_which_of_the_two_lines_is_which_makes_no_difference() -> None:
    solo, other = played(-20.0, -22.0), played(-25.0, -20.0)
    straight = np.linspace(0.0, 1.0, solo.level_db.size)
    np.testing.assert_allclose(right(straight, solo, other), right(1.0 - straight, solo, other))


def test_among_three_a_soft_line_may_be_a_thirds_and_silence_is_nobodys() -> None:
    chance = loud_enough(played(-20.0, -20.0, -20.0, -28.0, float("nan")))
    assert chance[50] > 0.95
    assert chance[350] < 0.1
    assert chance[450] == 1.0
