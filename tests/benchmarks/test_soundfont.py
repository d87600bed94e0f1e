"""The sampled voice of the benchmarks: its samples' own vibrato is out, and it plays at the pitch asked for."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.signal import butter, hilbert, sosfiltfilt

from tests.benchmarks.soundfont import _cycles, font_path, read_cycles, sampled_voice

RATE = 44_100


def test_vibrato_of_a_sample_is_flattened():
    t = np.arange(2 * RATE) / RATE
    cents = 20.0 * np.sin(2 * np.pi * 5.5 * t)
    phase = 2 * np.pi * np.cumsum(392.0 * 2 ** (cents / 1200)) / RATE
    sample = sum(np.sin(h * phase + h) / h for h in range(1, 9))
    hz, table = _cycles(sample, loop=(0, sample.size), rate_hz=RATE)
    assert abs(1200 * np.log2(hz / 392.0)) < 3.0
    flat = table.reshape(-1)
    low = sosfiltfilt(butter(4, [0.5 / 256, 1.5 / 256], btype="band", fs=1.0, output="sos"), flat)
    turns = np.diff(np.unwrap(np.angle(hilbert(low))))[2000:-2000] / (2 * np.pi) * 256
    wobble = 1200 * np.log2(np.convolve(turns, np.full(512, 1 / 512), mode="valid"))
    assert np.abs(wobble).max() < 2.0


@pytest.mark.parametrize("instrument", ["violin", "cello"])
def test_the_font_of_pretty_midi_can_be_read(instrument):
    cycles = read_cycles(font_path(), instrument=instrument)
    assert len(cycles) >= 3
    assert all(a.hz < b.hz for a, b in pairwise(cycles))


def test_the_sampled_voice_glides_at_the_pitch_asked_for():
    voice = sampled_voice(np.random.default_rng(1), instrument="violin")
    block, n = 22, RATE
    hz = 500.0 * 2 ** (np.linspace(0.0, 7.0, n // block + 2) / 12)
    steady = np.ones(hz.size)
    sound = voice.play(hz, true_hz=hz, amplitude=steady, block=block, sample_rate_hz=float(RATE), n=n)
    low = sosfiltfilt(butter(6, [300.0, 850.0], btype="band", fs=RATE, output="sos"), sound.astype(float))
    heard = np.diff(np.unwrap(np.angle(hilbert(low)))) * RATE / (2 * np.pi)
    heard = np.convolve(heard, np.full(201, 1 / 201), mode="same")[4000:-4000]
    asked = np.interp(np.arange(n - 1) / block, np.arange(hz.size), hz)[4000:-4000]
    assert np.abs(1200 * np.log2(heard / asked)).max() < 5.0
