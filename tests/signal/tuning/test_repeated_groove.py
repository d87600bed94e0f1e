"""Grooves that sound twice: planted in noisy music, and music that repeats itself without any."""

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.signal.tuning.partials import slow_samples
from pipeline.signal.tuning.repeated_groove import repeated_grooves

RATE = 22_050
Samples = npt.NDArray[np.float64]


def note(midi: float, length_s: float) -> Samples:
    t = np.arange(round(length_s * RATE)) / RATE
    phase = 2 * np.pi * 440.0 * 2 ** ((midi - 69) / 12) * t
    swell = np.minimum(1.0, np.minimum(t, length_s - t) / 0.03)
    return np.asarray(0.1 * swell * sum(np.sin(h * phase) / h for h in range(1, 9)))


def noise(size: int, *, db: float, seed: int) -> Samples:
    return 0.1 * 10 ** (-db / 20) * np.random.default_rng(seed).standard_normal(size)


def music(*, noise_db: float = 15.0) -> Samples:
    rng = np.random.default_rng(7)
    sound = np.concatenate([note(rng.integers(60, 85), rng.uniform(0.2, 0.7)) for _ in range(70)])
    return sound + noise(sound.size, db=noise_db, seed=1)


def found(sound: Samples) -> list[tuple[float, float, int]]:
    slow = slow_samples(sound.astype(np.float32), sample_rate_hz=RATE)
    return [(repeat.start_s, repeat.end_s, repeat.turns) for repeat in repeated_grooves(slow)]


@pytest.mark.parametrize(("rpm", "turns", "times"), [(78.26, 1, 1), (77.2, 1, 4), (80.0, 2, 1)])
def test_a_groove_played_again_is_found_with_its_bounds(rpm: float, turns: int, times: int) -> None:
    sound, turn = music(), turns * 60.0 / rpm
    first, size = round(8.0 * RATE), round(turn * RATE)
    played = np.concatenate([sound[: first + size], *[sound[first : first + size]] * times, sound[first + size :]])
    played[first + size : first + size + 20] += 0.5  # the stylus clicks as it jumps
    played += noise(played.size, db=40.0, seed=2)  # the amplifier's own noise does not repeat
    ((start_s, end_s, by),) = found(played)
    assert start_s == pytest.approx(8.0 + turn, abs=0.08)
    assert end_s == pytest.approx(8.0 + turn * (times + 1), abs=0.08)
    assert by == turns


def test_music_alone_holds_none() -> None:
    assert found(music()) == []


def test_a_figure_that_comes_again_every_turn_is_music() -> None:
    # An ostinato at exactly one bar a turn, note for note the same; only the surface noise is not.
    figure = np.concatenate([note(m, 60.0 / 78.26 / 4) for m in (67, 71, 74, 71)])
    sound = np.tile(figure, 20)
    assert found(sound + noise(sound.size, db=15.0, seed=3)) == []


def test_held_tones_and_silence_hold_none() -> None:
    assert found(note(69.0, 20.0)) == []
    assert found(note(69.0, 20.0) + noise(20 * RATE, db=20.0, seed=4)) == []
    assert found(np.zeros(20 * RATE)) == []
    assert found(np.concatenate((music()[: 6 * RATE], np.zeros(6 * RATE)))) == []


@pytest.mark.parametrize("size", [0, 7, 600, 3_000, 12_000])
def test_short_sounds_hold_none(size: int) -> None:
    assert repeated_grooves(noise(size, db=0.0, seed=5).astype(np.float32)) == ()
