"""Second opinions on samples, pitch arithmetic, transforms, tracking, tuning and keys from other libraries."""

import wave
from pathlib import Path

import librosa
import numpy as np
import pytest
from scipy.io import wavfile
from scipy.signal import resample_poly

from pipeline.signal.line.follow import follow
from pipeline.signal.line.spectrum import Register, hann, magnitudes, resampled
from pipeline.signal.line.transform import FFT_SIZE
from pipeline.signal.speed.key import Key, key_log_likelihoods, pitch_class_notes
from pipeline.signal.speed.resample import correct_samples
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.tuning.coarse_path import wrap100
from pipeline.signal.tuning.curve import tuning_curve
from pipeline.signal.tuning.steady_tones import solo_tracks
from pipeline.store.audio.whole_sound import read_sound
from pipeline.units import cents_of_ratio, hz_of_midi, midi_of_hz

RATE = 11_025


def test_samples_as_the_standard_library_and_scipy_read_them(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    made = np.random.default_rng(2).integers(-32_768, 32_768, (5_000, 2)).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(44_100)
        file.writeframes(made.tobytes())
    rate, theirs = wavfile.read(path)
    scaled = theirs.astype(np.float64) / 32_768
    for rule, expected in (("left", scaled[:, 0]), ("right", scaled[:, 1]), ("sum", scaled.mean(axis=1))):
        ours = read_sound(path, channel_rule=rule)
        assert ours.sample_rate_hz == rate
        assert np.array_equal(ours.samples, expected.astype(np.float32))


def test_pitches_as_librosa() -> None:
    hz = np.geomspace(55.0, 3520.0, 200)
    midi = midi_of_hz(hz, reference_pitch_hz=440.0)
    assert np.abs(midi - librosa.hz_to_midi(hz)).max() < 1e-9
    assert np.abs(hz_of_midi(midi, reference_pitch_hz=440.0) / librosa.midi_to_hz(midi) - 1).max() < 1e-12
    # tuning as librosa counts it: parts of a semitone that the reference pitch lies off 440
    for reference in (435.0, 452.5):
        assert cents_of_ratio(reference / 440.0) == pytest.approx(100 * librosa.A4_to_tuning(reference), abs=1e-9)


def test_the_transform_as_librosa() -> None:
    sound = np.random.default_rng(8).standard_normal(4_096).astype(np.float32)
    padded = resampled(sound, sample_rate_hz=RATE, register=Register(0))
    ours = magnitudes(padded, register=Register(0), first=0, count=50)
    window = np.pad(hann(), (FFT_SIZE - hann().size) // 2)
    theirs = np.abs(librosa.stft(sound, n_fft=FFT_SIZE, hop_length=64, window=window, pad_mode="constant"))[:, :50].T
    assert np.abs(ours - theirs).max() < 1e-5 * theirs.max()


def test_a_constant_speed_as_scipy_resamples_it() -> None:
    """A transfer that runs a fourth slow, by their polyphase filter and by ours."""
    rng = np.random.default_rng(4)
    sound = resample_poly(rng.normal(0, 0.1, 3_000), 4, 1).astype(np.float32)  # nothing near the band's edge
    speed = SpeedMap.constant(correction_cents=float(cents_of_ratio(4 / 3)), length_s=sound.size / RATE)
    ours = correct_samples(sound, sample_rate_hz=RATE, speed_map=speed)
    theirs = resample_poly(sound, 3, 4)
    inside = slice(200, min(ours.size, theirs.size) - 200)
    wrong = ours[inside] - theirs[inside]
    assert 10 * np.log10(np.mean(wrong**2) / np.mean(theirs[inside] ** 2)) < -50.0


@pytest.mark.slow
def test_tracking_as_librosa() -> None:
    """A clean tone with vibrato and a slide: librosa's pyin, on its grid of 10 cents, hears the same."""
    rate, length_s = 22_050, 4.0
    time_s = np.arange(round(rate * length_s)) / rate
    slide = 500.0 / (1.0 + np.exp(-(time_s - 2.0) / 0.04))
    cents = slide + 15.0 * np.sin(2 * np.pi * 5.5 * time_s)
    phase = 2 * np.pi * np.cumsum(440.0 * 2.0 ** (cents / 1200.0)) / rate
    sound = sum(np.sin(h * phase) / h for h in range(1, 9)) * 0.1
    line = follow(np.asarray(sound, dtype=np.float32), sample_rate_hz=rate, instrument="violin")
    hz, voiced, _ = librosa.pyin(
        np.asarray(sound), fmin=200.0, fmax=2_000.0, sr=rate, frame_length=1_024, hop_length=256, resolution=0.1
    )
    times = librosa.times_like(hz, sr=rate, hop_length=256)
    inside = voiced & (times > 0.2) & (times < length_s - 0.2) & np.isfinite(hz)
    ours = np.interp(times[inside], line.time_s, line.f0_hz)
    apart = np.abs(1200.0 * np.log2(ours / hz[inside]))
    assert inside.sum() > 250
    assert np.median(apart) < 6.0
    assert np.quantile(apart, 0.9) < 15.0


@pytest.mark.parametrize("off_cents", [-37.0, -12.0, 8.0, 29.0])
def test_tuning_as_librosa(off_cents: float) -> None:
    """Where the semitones of a melody lie: the commonest 2 cents of all frames as librosa counts them, and ours."""
    rng = np.random.default_rng(6)
    notes = 100 * rng.integers(-12, 15, 150) + rng.normal(0, 3, 150)
    cents = np.repeat(notes, 100) + rng.normal(0, 1, 15_000)
    cents[::100] = np.nan  # a breath between notes
    time_s = 0.0058 * np.arange(cents.size)
    f0_hz = 440.0 * 2.0 ** ((cents + off_cents) / 1200.0)
    sure = np.where(np.isnan(cents), 0.0, 0.95)
    _, tracks = solo_tracks(time_s, f0_hz, confidence=sure, least_confidence=0.5)
    ours = tuning_curve(tracks, length_s=float(time_s[-1])).at(np.array([0.5 * time_s[-1]]))[0]
    theirs = 100 * librosa.pitch_tuning(f0_hz[np.isfinite(f0_hz)], resolution=0.02)
    assert abs(wrap100(ours - theirs)) < 3.0


@pytest.mark.slow
def test_keys_as_music21() -> None:
    """The key of melodies in all twelve major keys, by music21 with the weights of Aarden and Essen, and by ours."""
    from music21 import note, stream

    steps, often = (0, 2, 4, 5, 7, 9, 11), np.array([2, 1, 2, 1, 2, 1, 1]) / 10
    rng = np.random.default_rng(12)
    for tonic in range(12):
        midi = 60 + tonic + 12 * rng.integers(0, 2, 150) + rng.choice(steps, 150, p=often)
        counted = pitch_class_notes(midi, np.arange(150.0), np.full(150, 0.4), sections=10, length_s=150.0)
        ours = Key.of_number(int(np.argmax(key_log_likelihoods(counted))))
        part = stream.Part([note.Note(int(pitch)) for pitch in midi])
        theirs = part.analyze("key.aardenessen")
        assert (ours.tonic, ours.minor) == (theirs.tonic.pitchClass, theirs.mode == "minor")
