"""Each note of a chord by itself: its own partials and nothing of the other notes."""

import numpy as np
import pytest

from pipeline.pages.chord_sound import BEFORE_S, chord_sounds
from pipeline.pages.chords import ChordCurve
from pipeline.pages.sound import PAGE_RATE_HZ
from pipeline.units import hz_of_midi


def power_at(sound: np.ndarray, hz: float) -> float:
    inner = sound[sound.size // 4 : -sound.size // 4]
    turn = np.exp(-2j * np.pi * hz * np.arange(inner.size) / PAGE_RATE_HZ)
    return float(np.abs(np.mean(inner * turn)) ** 2)


def test_each_note_of_a_chord_is_heard_without_the_others() -> None:
    at = np.arange(2 * PAGE_RATE_HZ) / PAGE_RATE_HZ
    low, high = (float(hz_of_midi(midi, reference_pitch_hz=435.0)) for midi in (62.0, 69.0))
    tones = [sum(np.sin(2 * np.pi * hz * h * at) / h for h in range(1, 6)) for hz in (low, high)]
    times = np.arange(0.5, 1.3, 0.0116)
    curves = [ChordCurve("c", n, times, np.full(times.size, m), "D", 0.5, 0.01) for n, m in ((2, 69.0), (1, 62.0))]
    heard = chord_sounds(np.asarray(tones[0] + tones[1], np.float32), curves, reference_pitch_hz=435.0)["c"]
    assert heard.start_s == pytest.approx(0.5 - BEFORE_S)
    lower, upper = heard.notes[1], heard.notes[2]
    assert lower.size == upper.size == heard.whole.size
    assert power_at(lower, low) == pytest.approx(power_at(heard.whole, low), rel=0.1)
    assert power_at(lower, high) < 0.01 * power_at(heard.whole, high)
    assert power_at(upper, high) == pytest.approx(power_at(heard.whole, high), rel=0.1)
    # The third partial of the lower is the second of the upper: neither has it.
    assert power_at(upper, 2 * high) < 0.05 * power_at(heard.whole, 2 * high)
    assert chord_sounds(heard.whole, [], reference_pitch_hz=435.0) == {}
