"""Slides planted in sound: what is written is what was meant, all else stays, and old notes ring on as they did."""

import numpy as np
import pytest
from scipy.signal import hilbert

from pipeline.signal.recovery.partials import taken
from pipeline.signal.recovery.planting import Planting, planted
from pipeline.signal.recovery.ringing import Change, Ringing, measure_ringing, ringing_on
from pipeline.signal.synth.curve import slide_midi
from pipeline.signal.synth.plan import PlannedSlide
from pipeline.units import Floats

RATE = 16_000.0
LOW_HZ, HIGH_HZ = 440.0, 440.0 * 2.0 ** (4 / 12)


def two_notes(*, partials: int = 6) -> tuple[Floats, Floats, Floats]:
    """Samples of A4 for a second and C sharp for a second, partials falling by 1/h, with the line that follows them."""
    at = np.arange(round(2 * RATE)) / RATE
    hz = np.where(at < 1.0, LOW_HZ, HIGH_HZ)
    phase = 2.0 * np.pi * np.cumsum(hz) / RATE
    sound = sum(0.1 / h * np.sin(h * phase) for h in range(1, partials + 1))
    time = np.arange(0.0, 2.0, 0.0058)
    return np.asarray(sound), time, np.where(time < 1.0, LOW_HZ, HIGH_HZ)


def plant(sound: Floats, time: Floats, line: Floats, *, fall_db: float, kind: str = "same_finger") -> Floats:
    steps = {"same_finger": (None, None), "arriving_finger": (69.0, 71.0)}[kind]
    slide = PlannedSlide(0, 1, kind, 0.9, 1.1, 69.0, 73.0, *steps, shape="cosine")
    planting = Planting(slide, fall_db, changes_s=1.0, since_s=0.0, until_s=2.0)
    where, part = planted(
        sound.astype(np.float32),
        planting,
        time_s=time,
        f0_hz=line,
        ringing=None,
        rng=np.random.default_rng(1),
        sample_rate_hz=RATE,
    )
    made = sound.copy()
    made[where] = part
    return made


def first_partial(sound: Floats) -> tuple[Floats, Floats]:
    """Pitch in semitones and level in dB of the fundamental by the analytic signal of the band around it."""
    spectrum = np.fft.rfft(sound)
    hz = np.fft.rfftfreq(sound.size, 1.0 / RATE)
    spectrum[(hz < 380.0) | (hz > 640.0)] = 0.0
    analytic = hilbert(np.fft.irfft(spectrum, sound.size))
    frequency = np.gradient(np.unwrap(np.angle(analytic))) * RATE / (2.0 * np.pi)
    return 69.0 + 12.0 * np.log2(np.maximum(frequency, 1.0) / 440.0), 20.0 * np.log10(np.abs(analytic))


@pytest.mark.parametrize("fall_db", [0.0, 9.0])
def test_the_pitch_goes_as_planned_and_the_loudness_falls_as_asked(fall_db: float) -> None:
    pitch, level = first_partial(plant(*two_notes(), fall_db=fall_db))
    slide = PlannedSlide(0, 1, "same_finger", 0.9, 1.1, 69.0, 73.0, shape="cosine")
    at = np.arange(0.93, 1.07, 0.005)
    index = np.round(at * RATE).astype(int)
    assert np.abs(pitch[index] - slide_midi(slide, at)).max() < 0.25
    before, middle = level[round(0.7 * RATE)], level[round(1.0 * RATE)]
    assert before - middle == pytest.approx(fall_db, abs=1.0)
    for steady_s, midi in ((0.7, 69.0), (1.3, 73.0), (1.8, 73.0)):
        assert pitch[round(steady_s * RATE)] == pytest.approx(midi, abs=0.05)


def test_a_step_is_planted_as_a_step() -> None:
    pitch, _ = first_partial(plant(*two_notes(), fall_db=0.0, kind="arriving_finger"))
    assert pitch[round(0.87 * RATE)] == pytest.approx(69.0, abs=0.3)
    assert pitch[round(0.93 * RATE)] == pytest.approx(71.1, abs=0.35)


def test_what_else_sounds_stays() -> None:
    sound, time, line = two_notes()
    other = 0.05 * np.sin(2.0 * np.pi * 311.0 * np.arange(sound.size) / RATE)
    noise = np.random.default_rng(2).normal(0.0, 0.002, sound.size)
    alone, together = (plant(s, time, line, fall_db=6.0) for s in (sound, sound + other + noise))
    left = together - alone - other - noise
    inside = slice(round(0.6 * RATE), round(1.6 * RATE))
    # 311 Hz lies 129 Hz from the nearest partial taken out; 20 dB below it is no more than its noise.
    assert np.std(left[inside]) < 0.1 * np.std(other)


def test_far_from_the_slide_nothing_changes() -> None:
    sound, time, line = two_notes()
    made = plant(sound, time, line, fall_db=6.0)
    away = np.r_[: round(0.55 * RATE), round(1.75 * RATE) : sound.size]
    assert np.allclose(made[away], sound[away], atol=1e-6)


def test_ringing_is_measured_as_it_was_made() -> None:
    rng = np.random.default_rng(4)
    made = Ringing(at_once_db=-10.0, fall_db_per_s=60.0)
    length, notes = round(0.5 * RATE), 60
    dry, wet = np.zeros(notes * length), np.zeros(notes * length)
    pitches = [440.0 * 2.0 ** ((0, 5, 2, 7)[k % 4] / 12) for k in range(notes)]
    for k, hz in enumerate(pitches):
        tone = np.zeros(notes * length)
        tone[k * length : (k + 1) * length] = 0.1 * np.sin(2.0 * np.pi * hz * np.arange(length) / RATE)
        dry += tone
        # A room of its own for each note: one room is loud at one pitch and soft at another.
        wet += tone + ringing_on(tone, made, rng=rng, sample_rate_hz=RATE)
    changes = [Change(0.5 * k, pitches[k - 1], pitches[k]) for k in range(1, notes)]
    found = measure_ringing(wet.astype(np.float32), changes, sample_rate_hz=RATE)
    assert found is not None
    assert found.at_once_db - 0.075 * found.fall_db_per_s == pytest.approx(-10.0 - 0.075 * 60.0, abs=3.0)
    assert measure_ringing(dry.astype(np.float32), changes, sample_rate_hz=RATE) is None


def test_a_partial_taken_has_the_loudness_that_it_had() -> None:
    at = np.arange(round(RATE)) / RATE
    sound = 0.3 * np.sin(2.0 * np.pi * 440.0 * at) + 0.1 * np.sin(2.0 * np.pi * 880.0 * at)
    tone = taken(sound, np.full(at.size, 440.0), sounding=(0, at.size), partials=2, sample_rate_hz=RATE)
    middle = slice(round(0.3 * RATE), round(0.7 * RATE))
    assert np.abs(tone.amplitudes[:, middle]).mean(axis=1) == pytest.approx([0.3, 0.1], rel=0.02)
    assert np.abs(tone.sound()[middle] - sound[middle]).max() < 0.01


def test_vibrato_is_calm_where_the_slide_begins_and_ends_and_goes_on_beyond() -> None:
    at = np.arange(round(2 * RATE)) / RATE
    vibrato = 0.4 * np.sin(2.0 * np.pi * 6.0 * at)
    hz = np.where(at < 1.0, LOW_HZ, HIGH_HZ) * 2.0 ** (vibrato / 12)
    sound = 0.1 * np.sin(2.0 * np.pi * np.cumsum(hz) / RATE)
    time = np.arange(0.0, 2.0, 0.0058)
    pitch, _ = first_partial(plant(sound, time, np.interp(time, at, hz), fall_db=0.0))
    for edge_s, midi, way in ((0.9, 69.0, -1), (1.1, 73.0, 1)):
        near = np.round((edge_s + way * np.arange(0.0, 0.012, 0.001)) * RATE).astype(int)
        away = np.round((edge_s + way * np.arange(0.08, 0.25, 0.001)) * RATE).astype(int)
        assert np.abs(pitch[near] - midi).max() < 0.2
        assert np.abs(pitch[away] - midi).max() == pytest.approx(0.4, abs=0.1)
