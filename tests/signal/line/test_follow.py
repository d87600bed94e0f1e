"""The melody tracker on sounds whose pitch is known by mathematics, and against other people's trackers."""

import tracemalloc

import librosa
import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import hilbert

from pipeline.signal.line.follow import MelodyLine, follow

RATE = 22050
Floats = npt.NDArray[np.float64]


def string_tone(f0_hz: Floats, *, partials: int = 24, level: float = 0.1) -> npt.NDArray[np.float32]:
    """A sound with partials falling as 1/h under a pitch given sample by sample."""
    phase = 2 * np.pi * np.cumsum(f0_hz) / RATE
    sound = np.zeros_like(phase)
    for h in range(1, partials + 1):
        sound += np.where(h * f0_hz < 0.45 * RATE, np.sin(h * phase + h * h) / h, 0.0)
    return (level * sound).astype(np.float32)


def cents_off(line: MelodyLine, f0_hz: Floats, *, edge_s: float = 0.1) -> Floats:
    """Error in cents of the frames that are not at the very ends."""
    at = (line.time_s > edge_s) & (line.time_s < f0_hz.size / RATE - edge_s)
    true = np.interp(line.time_s[at], np.arange(f0_hz.size) / RATE, f0_hz)
    return 1200 * np.log2(line.f0_hz[at] / true)


def seconds(length_s: float) -> Floats:
    return np.arange(round(length_s * RATE)) / RATE


@pytest.mark.parametrize(
    ("instrument", "hz"),
    [
        ("violin", 196.0),
        ("violin", 440.0),
        ("violin", 1318.5),
        ("violin", 2637.0),
        ("violin", 2960.0),
        ("violin", 3136.0),
        ("viola", 130.81),
        ("viola", 622.3),
        ("cello", 65.41),
        ("cello", 98.0),
        ("cello", 220.0),
        ("cello", 523.25),
    ],
)
@pytest.mark.parametrize("scoring", ["network", "comb"])
def test_steady_tones_are_followed_within_a_third_of_a_cent(instrument: str, hz: float, scoring: str) -> None:
    for detune_cents in (0.0, 13.7, 31.0):
        f0 = np.full(2 * RATE, hz * 2 ** (detune_cents / 1200))
        line = follow(string_tone(f0), sample_rate_hz=RATE, instrument=instrument, scoring=scoring)  # type: ignore[arg-type]
        off = cents_off(line, f0)
        assert np.mean(np.isfinite(off)) > 0.99
        assert np.nanmax(np.abs(off)) < 0.34


def test_level_is_that_of_the_partials() -> None:
    line = follow(
        string_tone(np.full(RATE, 440.0), partials=1), sample_rate_hz=RATE, instrument="violin", scoring="comb"
    )
    assert np.nanmedian(line.level_db) == pytest.approx(-20.0, abs=0.2)
    assert np.median(line.sound_db) == pytest.approx(-20.0, abs=0.5)


@pytest.mark.parametrize("semitones_per_s", [-90.0, -60.0, -12.0, 12.0, 60.0, 90.0])
@pytest.mark.parametrize("scoring", ["network", "comb"])
def test_glides_of_sixty_semitones_a_second_and_more(semitones_per_s: float, scoring: str) -> None:
    t = seconds(1.5)
    span = 12.0 * np.sign(semitones_per_s)
    glide_s = span / semitones_per_s
    base = 330.0 if span > 0 else 660.0
    f0 = base * 2 ** (np.clip((t - 0.7) * semitones_per_s, min(0, span), max(0, span)) / 12)
    line = follow(string_tone(f0), sample_rate_hz=RATE, instrument="violin", scoring=scoring)  # type: ignore[arg-type]
    inside = (line.time_s > 0.7 + 0.025) & (line.time_s < 0.7 + glide_s - 0.025)
    true = np.interp(line.time_s, t, f0)
    assert inside.sum() > 5
    assert np.max(np.abs(1200 * np.log2(line.f0_hz[inside] / true[inside]))) < 50


def test_logistic_glide_is_recovered_in_time_and_pitch() -> None:
    # Logistic curve: the model of note transitions of Yang, Chew and Rajab (2015).
    t = seconds(2.0)
    f0 = 440.0 * 2 ** (5.0 / 12 / (1 + np.exp(-(t - 1.0) / 0.03)))
    line = follow(string_tone(f0), sample_rate_hz=RATE, instrument="violin", scoring="comb")
    off = cents_off(line, f0)
    assert np.sqrt(np.mean(off**2)) < 8.0
    midway = np.interp(0.5, 12 * np.log2(line.f0_hz[100:250] / 440.0) / 5.0, line.time_s[100:250])
    assert midway == pytest.approx(1.0, abs=0.002)


def test_clean_change_happens_when_it_happens() -> None:
    t = seconds(2.0)
    for change_s in (0.9, 0.9037, 1.01):
        f0 = np.where(t < change_s, 440.0, 587.33)
        line = follow(string_tone(f0), sample_rate_hz=RATE, instrument="violin", scoring="comb")
        upper = line.time_s[line.f0_hz > 510.0]
        assert upper[0] == pytest.approx(change_s, abs=0.012)


def test_delay_delays_the_line() -> None:
    t = seconds(2.0)
    sound = string_tone(392.0 * 2 ** (3.0 / 12 / (1 + np.exp(-(t - 1.0) / 0.02))))
    line = follow(sound, sample_rate_hz=RATE, instrument="violin", scoring="comb")
    # A whole number of frames: 40 frames of 64 samples at 11,025 Hz.
    late = follow(
        np.concatenate((np.zeros(40 * 128, np.float32), sound)),
        sample_rate_hz=RATE,
        instrument="violin",
        scoring="comb",
    )
    a, b = line.f0_hz[20:300], late.f0_hz[60:340]
    assert np.max(np.abs(1200 * np.log2(a / b))) < 0.5


@pytest.mark.parametrize("semitones", [-7, -1, 4, 12])
def test_transposing_transposes(semitones: int) -> None:
    t = seconds(2.0)
    curve = 440.0 * 2 ** ((2.0 / (1 + np.exp(-(t - 1.0) / 0.04)) + 0.2 * np.sin(2 * np.pi * 6 * t)) / 12)
    lines = [
        follow(string_tone(f0), sample_rate_hz=RATE, instrument="violin", scoring="comb")
        for f0 in (curve, curve * 2 ** (semitones / 12))
    ]
    shift = 1200 * np.log2(lines[1].f0_hz[20:-20] / lines[0].f0_hz[20:-20])
    assert np.max(np.abs(shift - 100 * semitones)) < 5.0
    assert np.median(np.abs(shift - 100 * semitones)) < 0.5


def test_vibrato_slopes_are_those_of_its_rate_and_extent() -> None:
    # 6.5 Hz and 25 to 50 cents either way: Small, in Seashore, Psychology of Music, 1938. A sine of +-25 cents moves
    # at most 2 pi 25 6.5 = 1021 cents/s, one of +-50 2042.
    t = seconds(3.0)
    for extent, slope in ((25.0, 1021.0), (50.0, 2042.0)):
        f0 = 440.0 * 2 ** (extent * np.sin(2 * np.pi * 6.5 * t) / 1200)
        line = follow(string_tone(f0), sample_rate_hz=RATE, instrument="violin", scoring="comb")
        cents = 1200 * np.log2(line.f0_hz[30:-30] / 440.0)
        at = line.time_s[30:-30]
        basis = np.stack((np.sin(2 * np.pi * 6.5 * at), np.cos(2 * np.pi * 6.5 * at), np.ones(at.size)), axis=1)
        fit = np.linalg.lstsq(basis, cents, rcond=None)[0]
        # The 46 ms window takes a few percent off.
        assert np.hypot(fit[0], fit[1]) * 2 * np.pi * 6.5 == pytest.approx(slope, rel=0.08)
        assert abs(fit[2]) < 0.5


def test_agrees_with_the_analytic_signal_and_with_librosa() -> None:
    t = seconds(2.0)
    f0 = 523.25 * 2 ** ((np.sin(2 * np.pi * 0.7 * t) * 3) / 12)
    line = follow(string_tone(f0), sample_rate_hz=RATE, instrument="violin", scoring="comb")
    phase = np.unwrap(np.angle(hilbert(string_tone(f0, partials=1).astype(np.float64))))
    instantaneous = np.interp(line.time_s, t[1:], np.diff(phase) * RATE / (2 * np.pi))
    # The analytic signal of a stretch that does not repeat is wrong at its ends.
    inner = slice(60, -60)
    assert np.max(np.abs(1200 * np.log2(line.f0_hz[inner] / instantaneous[inner]))) < 5.0
    sound = string_tone(f0)
    ours = follow(sound, sample_rate_hz=RATE, instrument="violin", scoring="comb")
    theirs, _, _ = librosa.pyin(sound, fmin=180, fmax=2000, sr=RATE, frame_length=1024, hop_length=256)
    at = librosa.times_like(theirs, sr=RATE, hop_length=256)
    both = np.isfinite(theirs) & (at > 0.1) & (at < 1.9)
    off = 1200 * np.log2(np.interp(at[both], ours.time_s, ours.f0_hz) / theirs[both])
    assert np.median(np.abs(off)) < 10.0


@pytest.mark.parametrize("sample_rate_hz", [8000, 11025, 44100, 96000])
def test_any_sample_rate(sample_rate_hz: int) -> None:
    t = np.arange(sample_rate_hz) / sample_rate_hz
    sound = sum(np.sin(2 * np.pi * 440.0 * h * t) / h for h in range(1, 8)) * 0.1
    line = follow(sound.astype(np.float32), sample_rate_hz=sample_rate_hz, instrument="violin", scoring="comb")
    assert line.time_s.size == pytest.approx(172.3, abs=1.0)
    assert np.max(np.abs(1200 * np.log2(line.f0_hz[20:-20] / 440.0))) < 0.5


def test_silence_and_noise_are_no_solo() -> None:
    rng = np.random.default_rng(5)
    noise = (0.1 * rng.standard_normal(6 * RATE)).astype(np.float32)
    for sound in (np.zeros(3 * RATE, np.float32), noise, np.full(2 * RATE, 0.3, np.float32)):
        line = follow(sound, sample_rate_hz=RATE, instrument="violin", scoring="network")
        assert np.mean(line.confidence > 0.5) < 0.01
        assert np.all((line.voiced_probability >= 0) & (line.voiced_probability <= 1))
    silent = follow(np.zeros(RATE, np.float32), sample_rate_hz=RATE, instrument="violin", scoring="network")
    assert np.isnan(silent.f0_hz).all()
    assert np.isnan(silent.level_db).all()


def test_empty_and_very_short_sounds() -> None:
    assert follow(np.zeros(0, np.float32), sample_rate_hz=RATE, instrument="violin").time_s.size == 0
    assert follow(np.zeros(10, np.float32), sample_rate_hz=RATE, instrument="cello").time_s.size == 1


def test_wrong_calls_say_what_is_wrong() -> None:
    sound = np.zeros(100, np.float32)
    with pytest.raises(ValueError, match="one channel"):
        follow(np.zeros((100, 2), np.float32), sample_rate_hz=RATE, instrument="violin")
    with pytest.raises(ValueError, match="NaN"):
        follow(np.full(100, np.nan, np.float32), sample_rate_hz=RATE, instrument="violin")
    with pytest.raises(ValueError, match="not positive"):
        follow(sound, sample_rate_hz=0, instrument="violin")
    with pytest.raises(ValueError, match="known are violin, viola, cello"):
        follow(sound, sample_rate_hz=RATE, instrument="flute")


@pytest.mark.parametrize(("instrument", "low_hz"), [("violin", 300.0), ("viola", 150.0), ("cello", 70.0)])
def test_unknown_instrument_is_estimated_from_its_range(instrument: str, low_hz: float) -> None:
    steps = np.array([0, 7, 12, 16, 19, 24, 19, 12, 4, 0]) / 12
    f0 = np.repeat(low_hz * 2**steps, RATE // 2)
    line = follow(string_tone(f0), sample_rate_hz=RATE, instrument=None, scoring="comb")
    assert line.instrument == instrument
    assert line.instrument_estimated


def test_same_sound_same_line_and_the_sound_is_left_alone() -> None:
    rng = np.random.default_rng(8)
    sound = string_tone(np.full(3 * RATE, 440.0)) + (0.01 * rng.standard_normal(3 * RATE)).astype(np.float32)
    before = sound.copy()
    first = follow(sound, sample_rate_hz=RATE, instrument="violin", scoring="network")
    again = follow(sound, sample_rate_hz=RATE, instrument="violin", scoring="network")
    for name in ("f0_hz", "voiced_probability", "confidence", "level_db", "prominence_db", "sound_db", "gliding"):
        assert getattr(first, name).tobytes() == getattr(again, name).tobytes()
    assert np.array_equal(sound, before)


def test_memory_hardly_grows_with_the_side() -> None:
    def peak_mb(length_s: float) -> float:
        sound = np.tile(string_tone(np.full(RATE, 440.0)), round(length_s))
        tracemalloc.start()
        follow(sound, sample_rate_hz=RATE, instrument="cello", scoring="network")
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak / 1e6

    one, three = peak_mb(60.0), peak_mb(180.0)
    # Two minutes more: 5.3 MB and 2.6 MB of sound at the two analysis rates, candidates and logits, a few arrays.
    assert three - one < 40.0
    assert three < 200.0
