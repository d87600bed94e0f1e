"""The level of A4 under other systems than equal temperament, on notes laid out exactly."""

import numpy as np
import pytest

from pipeline.signal.speed.intonation import FIFTH_CENTS, JUST_CENTS, Level, NoteSet, fifths_above_a, level
from pipeline.signal.speed.key import Key

VIOLIN = (55.0, 62.0, 69.0, 76.0)
E_MAJOR = Key(4, minor=False)
MAJOR = (0, 2, 4, 5, 7, 9, 11)


def told(
    above: np.ndarray, midi: np.ndarray, *, wobble: float = 15.0, key: Key = E_MAJOR, piano: bool = False
) -> Level:
    size = midi.size
    notes = NoteSet(midi, above, np.full(size, 0.5), np.full(size, wobble))
    return level(notes, key=key, open_midi=VIOLIN, curve_se=0.6, accompanied=piano)


def scale(key: Key, *, times: int = 8) -> np.ndarray:
    """Notes of a major key that lie on no open string."""
    found = [m for m in range(63, 90) if (m - key.tonic) % 12 in MAJOR and m not in VIOLIN]
    return np.array(found * times)


def test_pythagorean_and_just_cents() -> None:
    # a fifth of 3/2 is 701.955 cents, a third of 5/4 386.314, a leading note of 15/8 1088.269 (mathematics)
    assert pytest.approx(1.955, abs=5e-4) == FIFTH_CENTS
    assert JUST_CENTS[[4, 7, 11]] == pytest.approx([-13.686, 1.955, -11.731], abs=5e-4)


@pytest.mark.parametrize(
    ("key", "fifths"),
    [
        (Key(9, minor=False), {"A": 0, "E": 1, "D": -1, "G sharp": 5, "F sharp": 3}),
        (Key(8, minor=False), {"A flat": -7, "D flat": -8, "G": -2}),
        (Key(9, minor=True), {"G sharp": 5, "C": -3, "F": -4}),
    ],
)
def test_keys_spell_their_notes(key: Key, fifths: dict[str, int]) -> None:
    # the circle of fifths: from A up E B F sharp C sharp G sharp, down D G C F B flat E flat A flat D flat
    numbers = {"C": 0, "D flat": 1, "D": 2, "E": 4, "F": 5, "F sharp": 6, "G": 7, "A flat": 8, "G sharp": 8, "A": 9}
    found = fifths_above_a(key)
    assert {name: int(found[numbers[name]]) for name in fifths} == fifths


def test_equal_temperament_is_left_alone() -> None:
    midi = scale(E_MAJOR)
    found = told(np.random.default_rng(1).normal(0.0, 5.0, midi.size), midi)
    assert abs(found.above_cents) < 1.5
    assert 2.0 < found.se_cents < 5.0


@pytest.mark.parametrize("tonic", [2, 4, 5, 8])
def test_a_player_in_pure_fifths_is_recognised(tonic: int) -> None:
    """The curve of such a player lies beside A4 by the mean of the bent notes; what is left is less than half of it."""
    key = Key(tonic, minor=False)
    midi = scale(key)
    bent = FIFTH_CENTS * fifths_above_a(key)[midi % 12]
    noisy = bent - bent.mean() + np.random.default_rng(tonic).normal(0.0, 4.0, midi.size)
    found = told(noisy, midi, key=key)
    assert abs(found.above_cents + bent.mean()) < max(0.5 * abs(bent.mean()), 1.5)
    assert abs(found.above_cents + bent.mean()) < 2.0 * found.se_cents


def test_alone_is_wider_than_with_piano() -> None:
    """By a fifth at least: a piano may be off itself."""
    midi = scale(E_MAJOR)
    above = np.random.default_rng(3).normal(0.0, 5.0, midi.size)
    assert told(above, midi).se_cents > 1.2 * told(above, midi, piano=True).se_cents


def test_beside_a_flat_piano_the_soloist_says_where_a4_is() -> None:
    """Stopped notes and open strings lie 20 cents above the piano; one that lies with them stays what it is."""
    stopped, opened = scale(E_MAJOR), np.array([69, 76, 62, 69, 76, 69, 62, 76] * 3)
    midi = np.concatenate((stopped, opened))
    above = np.random.default_rng(5).normal(0.0, 5.0, midi.size)
    wobble = np.concatenate((np.full(stopped.size, 15.0), np.full(opened.size, 2.0)))

    def beside(flat_cents: float) -> Level:
        notes = NoteSet(midi, above + flat_cents, np.full(midi.size, 0.5), wobble)
        return level(notes, key=E_MAJOR, open_midi=VIOLIN, curve_se=0.6, accompanied=True)

    flat, in_tune = beside(20.0), beside(0.0)
    assert abs(flat.above_cents - 20.0) < 2.0 * flat.se_cents
    assert abs(in_tune.above_cents) < 2.0
    assert flat.se_cents > 1.3 * in_tune.se_cents


def test_open_strings_tie_the_level_down() -> None:
    """A soloist plays 6 cents above the open strings: these say so, and make the level surer."""
    stopped, opened = scale(E_MAJOR), np.array([69, 76, 62, 69, 76, 69, 62, 76] * 3)
    above = np.random.default_rng(4).normal(0.0, 5.0, stopped.size)
    fifths = (opened - 69) / 7.0
    midi = np.concatenate((stopped, opened))
    notes = NoteSet(
        midi,
        np.concatenate((above, -6.0 + 1.0 * fifths)),
        np.full(midi.size, 0.5),
        np.concatenate((np.full(stopped.size, 15.0), np.full(opened.size, 2.0))),
    )
    found = level(notes, key=E_MAJOR, open_midi=VIOLIN, curve_se=0.6, accompanied=False)
    alone = told(above, stopped)
    assert -6.5 < found.above_cents < -3.0
    assert found.se_cents < 0.8 * alone.se_cents


def test_nothing_at_all_is_as_unsure_as_a_soloist_can_be() -> None:
    none = np.empty(0)
    found = level(
        NoteSet(np.empty(0, dtype=np.int64), none, none, none),
        key=E_MAJOR,
        open_midi=VIOLIN,
        curve_se=4.0,
        accompanied=False,
    )
    assert found == Level(0.0, 5.0)
