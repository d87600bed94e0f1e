"""The second look between notes: glides and leaps told apart, and a line that was elsewhere taken back."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.signal.line.follow import first_look, follow
from pipeline.signal.line.second_look import changes
from pipeline.units import cents_of_ratio

RATE = 11_025


def sound_of(f0: np.ndarray, *, noise: float) -> np.ndarray:
    """A tone with ten partials at a pitch (n,) and white noise."""
    phase = 2.0 * np.pi * np.cumsum(f0) / RATE
    tone = sum(np.sin(h * phase) / h for h in range(1, 11) if h * f0.max() < 0.45 * RATE)
    rng = np.random.default_rng(1)
    return (0.1 * tone + noise * rng.standard_normal(f0.size)).astype(np.float32)


def two_notes(low: float, high: float, *, glide_s: float) -> tuple[np.ndarray, tuple[float, float]]:
    """Pitch (n,) of two notes a second each, with a straight glide between them, and when that lasts."""
    time_s = np.arange(int(2.2 * RATE)) / RATE
    start, end = 1.1 - glide_s / 2, 1.1 + glide_s / 2
    share = np.clip((time_s - start) / max(glide_s, 1e-9), 0.0, 1.0) if glide_s else (time_s >= 1.1).astype(float)
    return low * (high / low) ** share, (start, end)


@pytest.mark.parametrize("fast", [0.9, 1.0, 1.1])
@pytest.mark.parametrize(("low", "high"), [(440.0, 554.4), (660.0, 494.0), (392.0, 587.3)])
def test_a_glide_is_told_from_a_leap(low: float, high: float, fast: float) -> None:
    for glide_s in (0.0, 0.14):
        f0, (start, end) = two_notes(fast * low, fast * high, glide_s=glide_s)
        line = follow(sound_of(f0, noise=0.01), sample_rate_hz=RATE, instrument="violin")
        near = (line.time_s > start - 0.05) & (line.time_s < end + 0.05)
        if glide_s:
            assert line.gliding[near].max() > 0.8
            inside = (line.time_s > start + 0.03) & (line.time_s < end - 0.03)
            assert line.gliding[inside].mean() > 0.6
        else:
            assert line.gliding[near].max() < 0.3
        assert line.gliding[~near & (np.abs(line.time_s - 1.1) > 0.3)].max() == 0.0


def test_a_line_that_is_elsewhere_is_taken_to_the_glide() -> None:
    f0, (start, end) = two_notes(440.0, 660.0, glide_s=0.16)
    line, side = first_look(sound_of(f0, noise=0.01), sample_rate_hz=RATE, instrument="violin")
    inside = (line.time_s > start + 0.03) & (line.time_s < end - 0.03)
    away = replace(line, f0_hz=np.where(inside, np.where(line.time_s < 1.1, 440.0, 660.0), line.f0_hz))
    looked = side.look_again(away)
    true = np.interp(line.time_s, np.arange(f0.size) / RATE, f0)
    moved = np.isfinite(looked.f0_hz)
    assert moved[inside].mean() > 0.5
    assert not moved[~inside & (np.abs(line.time_s - 1.1) > 0.15)].any()
    assert np.abs(cents_of_ratio(looked.f0_hz[moved] / true[moved])).max() < 100.0
    assert (looked.sure[moved] >= 0.5).all()


def test_without_the_network_of_the_line_nothing_is_said_of_glides() -> None:
    f0, _ = two_notes(440.0, 660.0, glide_s=0.16)
    line = follow(sound_of(f0, noise=0.01), sample_rate_hz=RATE, instrument="violin", scoring="comb")
    assert np.isnan(line.gliding).all()


def test_notes_of_one_pitch_are_no_change() -> None:
    f0 = np.full(2 * RATE, 440.0)
    line, _ = first_look(sound_of(f0, noise=0.01), sample_rate_hz=RATE, instrument="violin")
    assert changes(line) == []
