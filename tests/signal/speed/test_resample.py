"""The variable-rate resampler against sines whose every sample is known."""

import numpy as np
import pytest
import soxr

from pipeline.signal.speed.resample import correct_samples
from pipeline.signal.speed.speed_map import SpeedMap

RATE = 44100


def error_db(hz: float, speed: SpeedMap, *, length_s: float) -> float:
    at = np.arange(int(RATE * length_s)) / RATE
    made = correct_samples(np.sin(2 * np.pi * hz * at).astype(np.float32), sample_rate_hz=RATE, speed_map=speed)
    moments = speed.to_transfer_s(np.arange(made.size) / RATE)
    inside = slice(200, -200)
    wrong = made[inside] - np.sin(2 * np.pi * hz * moments[inside])
    return float(10 * np.log10(np.mean(wrong**2) / 0.5))


def wavering(length_s: float, *, around: float) -> SpeedMap:
    grid = np.arange(0.0, length_s + 0.02, 0.02)
    return SpeedMap(grid, around + 30 * np.sin(grid / 2) + 10 * np.sin(2 * np.pi * 1.3 * grid))


@pytest.mark.parametrize("hz", [440, 1000, 5000, 10_000, 15_000])
@pytest.mark.parametrize("around", [60.0, -60.0])
def test_errors_lie_below_a_hundred_decibels(hz: float, around: float) -> None:
    assert error_db(hz, wavering(3.0, around=around), length_s=3.0) < -105.0


def test_nothing_folds_back_when_read_faster() -> None:
    # 21 kHz read a fourth faster would sound at 26 kHz: it must vanish, not come back at 18 kHz
    at = np.arange(RATE) / RATE
    speed = SpeedMap.constant(correction_cents=386.0, length_s=1.0)
    made = correct_samples(np.sin(2 * np.pi * 21_000 * at).astype(np.float32), sample_rate_hz=RATE, speed_map=speed)
    assert np.abs(made[200:-200]).max() < 1e-3


def test_there_and_back_gives_the_sound_again() -> None:
    rng = np.random.default_rng(3)
    sound = soxr.resample(rng.normal(0, 0.1, RATE), RATE / 2, RATE).astype(np.float32)
    length_s = sound.size / RATE
    speed = wavering(length_s, around=40.0)
    there = correct_samples(sound, sample_rate_hz=RATE, speed_map=speed)
    # the way back is curved between its points: half a millisecond keeps it within a thousandth of a sample
    times = np.arange(0, there.size / RATE, 0.0005)
    back = SpeedMap(times, -speed.cents_at(speed.to_transfer_s(times)))
    again = correct_samples(there, sample_rate_hz=RATE, speed_map=back)
    shared = slice(500, min(again.size, sound.size) - 500)
    assert np.abs(again[shared] - sound[shared]).max() < 1e-4


def test_length_pitch_and_channels() -> None:
    at = np.arange(RATE) / RATE
    sound = np.stack([np.sin(2 * np.pi * 440 * at), np.zeros(RATE)], axis=1).astype(np.float32)
    speed = SpeedMap.constant(correction_cents=1200 * np.log2(80 / 78), length_s=1.0)
    made = correct_samples(sound, sample_rate_hz=RATE, speed_map=speed)
    assert made.shape == (int((RATE - 1) * 78 / 80) + 1, 2)
    assert not made[:, 1].any()
    spectrum = np.abs(np.fft.rfft(made[:, 0] * np.hanning(made.shape[0]), 1 << 19))
    assert np.argmax(spectrum) * RATE / (1 << 19) == pytest.approx(440 * 80 / 78, abs=0.1)


def test_an_excerpt_is_the_same_sound_as_the_whole() -> None:
    sound = np.random.default_rng(4).normal(0, 0.1, RATE).astype(np.float32)
    speed = SpeedMap.constant(correction_cents=1200 * np.log2(80 / 78), length_s=1.0)
    whole = correct_samples(sound, sample_rate_hz=RATE, speed_map=speed)
    # 80 x 100 samples of the transfer are 78 x 100 samples of truth
    part = correct_samples(sound[8000:], sample_rate_hz=RATE, speed_map=speed, start_s=8000 / RATE)
    assert part.size == whole.size - 7800
    assert np.abs(part[100:] - whole[7900:]).max() < 1e-6


def test_nothing_gives_nothing() -> None:
    made = correct_samples(np.zeros(0, np.float32), sample_rate_hz=RATE, speed_map=SpeedMap.identity(1.0))
    assert made.size == 0
