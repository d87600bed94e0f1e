"""Rendered truth against the samples, by methods from outside: scipy's Hilbert transform and Welch spectra."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, hilbert, sosfiltfilt, welch

from pipeline.signal.synth.degrade import random_chain, surface
from pipeline.signal.synth.piano import Piano, render_piano
from pipeline.signal.synth.plan import AccompanimentNote, Plan, PlannedNote, PlannedSlide
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SHAPES, SpeedPlan, time_warp
from pipeline.signal.synth.voice import random_voice

RATE = 44_100
# No room: what sounded before would bend the measured pitch.
DRY = replace(random_chain(np.random.default_rng(0), band="full"), room_db=-90.0, clip=0.0)


def _plan(kind="same_finger", shape="linear", step=(None, None), vibrato_cents=0.0):
    """A4, a slide of 250 ms, E5: fundamentals stay below the second partial of either."""
    return Plan(
        instrument="violin",
        notes=(
            PlannedNote(0.2, 1.5, 69.0, vibrato_hz=6.0 if vibrato_cents else 0.0, vibrato_cents=vibrato_cents),
            PlannedNote(1.75, 3.0, 76.0, slurred=True),
        ),
        slides=(PlannedSlide(0, 1, kind, 1.5, 1.75, 69.0, 76.0, *step, shape=shape),),
        length_s=3.3,
        key="A minor",
        reference_pitch_hz=440.0,
    )


def _render(plan, speed=None, seed=5):
    rng = np.random.default_rng(seed)
    return render_side(
        plan,
        rng=rng,
        sample_rate_hz=RATE,
        voice=random_voice(rng, instrument="violin"),
        snr_db=None,
        piano_below_db=None,
        band="full",
        speed=speed or SpeedPlan(),
        chain=DRY,
    )


def _fundamental_hz(samples, *, below_hz=760.0):
    """Instantaneous frequency of the lowest partial on a 1 ms grid."""
    low = sosfiltfilt(butter(6, [250.0, below_hz], btype="band", fs=RATE, output="sos"), samples.astype(float))
    hz = np.diff(np.unwrap(np.angle(hilbert(low)))) * RATE / (2 * np.pi)
    smooth = np.convolve(hz, np.full(221, 1 / 221), mode="same")
    grid = np.arange(int(samples.size / RATE * 1000)) / 1000.0
    return np.interp(grid, np.arange(hz.size) / RATE, np.maximum(smooth, 1.0))


def _cents(a, b):
    return 1200.0 * np.log2(a / b)


@pytest.mark.parametrize(
    "speed",
    [SpeedPlan(), SpeedPlan(offset_cents=-70.0, drift_cents=40.0, wow_cents=12.0, wow_hz=1.3)],
    ids=["true", "wrong"],
)
def test_truth_is_the_pitch_of_the_samples(speed):
    samples, truth = _render(_plan(vibrato_cents=30.0), speed)
    heard = _fundamental_hz(samples)
    n = min(heard.size, truth.f0_hz.size)
    steady = np.isfinite(truth.f0_hz[:n])
    edge = np.convolve(~steady, np.ones(121), mode="same") > 0
    errors = np.abs(_cents(heard[:n], truth.f0_hz[:n])[~edge])
    # The measured pitch is an average over 5 ms.
    assert np.median(errors) < 2.0
    assert np.percentile(errors, 95) < 15.0


def test_correction_leads_back_to_the_true_pitch_and_length():
    speed = SpeedPlan(offset_cents=100.0)
    _, truth = _render(_plan(), speed)
    middle = np.nanmedian(truth.f0_hz[900:1300])
    # A semitone flat: the transfer runs slow. Equal temperament, ISO 16: 440 / 2^(1/12) = 415.305 Hz.
    assert abs(_cents(middle, 415.305)) < 4.0
    assert truth.transfer_time_s[-1] == pytest.approx(3.3 * 2 ** (1 / 12), abs=2e-3)
    corrected = _cents(truth.f0_hz, 440.0) + truth.correction_cents
    assert abs(np.nanmedian(corrected[900:1300])) < 4.0


@pytest.mark.parametrize("shape", ["linear", "cosine", "logistic"])
def test_audible_bounds_are_where_a_tenth_of_the_interval_is_passed(shape):
    samples, truth = _render(_plan(shape=shape))
    way = _cents(_fundamental_hz(samples), 440.0)[1400:1850] / 700.0
    slide = truth.slides[0]
    assert 1.4 + np.argmax(way > 0.1) / 1000 == pytest.approx(slide.transfer_audible_start_s, abs=0.008)
    assert 1.4 + np.argmax(way > 0.9) / 1000 == pytest.approx(slide.transfer_audible_end_s, abs=0.008)
    if shape == "linear":
        assert slide.audible_end_s - slide.audible_start_s == pytest.approx(0.2, abs=1e-4)


@pytest.mark.parametrize(
    ("kind", "step", "at_s"),
    [
        ("departing_finger", (72.0, 76.0), 1.75),
        ("arriving_finger", (69.0, 72.0), 1.5),
        ("two_finger", (71.5, 73.5), 1.625),
    ],
)
def test_steps_stand_where_the_kind_says(kind, step, at_s):
    _, truth = _render(_plan(kind=kind, step=step))
    midi = 69 + _cents(truth.f0_hz, 440.0) / 100
    jump = np.diff(midi[1450:1800])
    assert 1.45 + np.argmax(jump) / 1000 == pytest.approx(at_s, abs=0.004)
    # Within 2 ms about the step, the glide itself moves little.
    at = round(at_s * 1000)
    assert midi[at + 2] - midi[at - 2] == pytest.approx(step[1] - step[0], abs=0.2)


def test_equal_seeds_give_equal_samples():
    rng = np.random.default_rng(3)
    plan = random_plan(rng, instrument="cello", length_s=6.0, reference_pitch_hz=440.0, with_piano=True)
    speed = SpeedPlan(wow_cents=5.0, wow_hz=1.3)
    arguments = {"snr_db": 15.0, "piano_below_db": 6.0, "band": "acoustic", "speed": speed}
    renders = []
    for _ in range(2):
        rng = np.random.default_rng(8)
        voice = random_voice(rng, instrument="cello")
        renders.append(render_side(plan, rng=rng, sample_rate_hz=22_050, voice=voice, **arguments))
    assert np.array_equal(renders[0][0], renders[1][0])
    assert np.array_equal(renders[0][1].f0_hz, renders[1][1].f0_hz, equal_nan=True)
    assert np.abs(renders[0][0]).max() == pytest.approx(0.7, abs=1e-3)


@pytest.mark.parametrize("band", ["acoustic", "electrical", "full"])
def test_surface_noise_has_unit_level_between_100_and_5000_hz(band):
    rng = np.random.default_rng(2)
    chain = random_chain(rng, band=band)
    noise = surface(20 * RATE, chain=chain, sample_rate_hz=RATE, rng=rng)
    hz, density = welch(noise, fs=RATE, nperseg=16_384)
    inside = (hz >= 100) & (hz <= 5000)
    level_db = 10 * np.log10(np.sum(density[inside]) * (hz[1] - hz[0]))
    hum_db = 0.5 if chain.hum_db > -90 else 0.2
    assert abs(level_db) < hum_db


def test_snr_is_solo_against_noise_while_it_sounds():
    rng = np.random.default_rng(4)
    plan = random_plan(rng, instrument="violin", length_s=12.0, reference_pitch_hz=440.0)
    voice = random_voice(rng, instrument="violin")
    rendered = {}
    for snr_db in (None, 6.0):
        rendered[snr_db], truth = render_side(
            plan,
            rng=np.random.default_rng(9),
            sample_rate_hz=RATE,
            voice=voice,
            snr_db=snr_db,
            piano_below_db=None,
            band="full",
            speed=SpeedPlan(),
        )
    clean, noisy = rendered[None].astype(float), rendered[6.0].astype(float)
    clean *= np.dot(noisy, clean) / np.dot(clean, clean)
    sounding = np.isfinite(truth.f0_hz).mean()
    power = []
    for sound in (clean, noisy - clean):
        hz, density = welch(sound, fs=RATE, nperseg=8192)
        power.append(np.sum(density[(hz >= 100) & (hz <= 5000)]))
    # The room, which the stated ratio leaves out, adds a little.
    assert 10 * np.log10(power[0] / sounding / power[1]) == pytest.approx(6.0, abs=0.6)


def test_piano_partials_are_stretched():
    """f_h = h f_0 sqrt(1 + B h^2): Fletcher, Blackham and Stratton, J. Acoust. Soc. Am. 34 (1962)."""
    piano = Piano(inharmonicity=4e-4, decay_s=2.0, tilt=1.0, detune_cents=0.0)
    out = render_piano(
        (AccompanimentNote(0.0, 2.0, 60.0),),
        piano=piano,
        rng=np.random.default_rng(0),
        true_s=np.arange(2 * RATE) / RATE,
        reference_pitch_hz=440.0,
        highest_hz=8000.0,
    )
    spectrum = np.abs(np.fft.rfft(out * np.hanning(out.size), 8 * out.size))
    hz = np.fft.rfftfreq(8 * out.size, 1 / RATE)
    for h in (1, 5, 10):
        expected = h * 261.6256 * np.sqrt(1 + 4e-4 * h * h)
        near = (hz > expected - 8) & (hz < expected + 8)
        assert abs(_cents(hz[near][np.argmax(spectrum[near])], expected)) < 1.0


@pytest.mark.parametrize("shape", SHAPES)
def test_true_time_is_the_integral_of_the_inverse_ratio(shape):
    speed = SpeedPlan(
        offset_cents=30.0, drift_cents=60.0, drift_shape=shape, wow_cents=10.0, wow_hz=1.3, radius_ratio=2.0
    )
    warp = time_warp(speed, true_length_s=60.0, step_s=0.0005)
    plain = np.arange(0.0, 30.0, 1e-5)
    expected = np.sum(2 ** (-speed.cents_at(plain + 5e-6, true_length_s=60.0) / 1200)) * 1e-5
    assert np.interp(30.0, warp.transfer_s, warp.true_s) == pytest.approx(expected, abs=1e-6)
    assert warp.true_s[-1] == pytest.approx(60.0, abs=1e-3)


def test_wow_grows_towards_the_centre():
    speed = SpeedPlan(wow_cents=10.0, wow_hz=1.0, radius_ratio=2.0)
    at = np.arange(0.0, 60.0, 0.001)
    cents = speed.cents_at(at, true_length_s=60.0)
    # Depth is inverse to the radius: outer radius twice the inner, so depth doubles from edge to centre.
    assert np.ptp(cents[-1500:]) / np.ptp(cents[:1500]) == pytest.approx(2.0, rel=0.05)
