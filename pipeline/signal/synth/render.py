"""Renders a plan as one transfer, with the exact truth of what sounds in it.

Everything is made directly at the warped phase: the solo's pitch at each moment of the transfer is its true pitch
less the correction, and the piano's phase runs in true time. So the truth is that of the samples, not of a
resampling. ``render_side`` is the whole interface; equal arguments and generator states give equal samples.

>>> rng = np.random.default_rng(1)
>>> plan = random_plan(rng, instrument="violin", length_s=30.0, reference_pitch_hz=440.0)
>>> voice = random_voice(rng, instrument="violin")
>>> samples, truth = render_side(plan, rng=rng, sample_rate_hz=44100, voice=voice, snr_db=20.0,
...                              piano_below_db=None, band="acoustic", speed=SpeedPlan(offset_cents=35.0))
"""

import numpy as np
import numpy.typing as npt
from scipy import fft

from pipeline.signal.synth.curve import audible_bounds, loudness, pitch_curve, vibrato_cents, wander
from pipeline.signal.synth.degrade import Chain, level_through, random_chain, surface, through_chain
from pipeline.signal.synth.piano import random_piano, render_piano
from pipeline.signal.synth.plan import Plan, TrueSlide, Truth
from pipeline.signal.synth.speedplan import SpeedPlan, TimeWarp, time_warp
from pipeline.signal.synth.voice import Voice, body_response
from pipeline.units import Floats

Samples = npt.NDArray[np.float32]
_SILENT = 0.05
_CONTROL_HZ = 2000.0
# Highest partial that each band lets through to any purpose.
_LIMIT_HZ = {"acoustic": 7_500.0, "electrical": 11_000.0, "full": 16_000.0}


def render_side(
    plan: Plan,
    *,
    rng: np.random.Generator,
    sample_rate_hz: int,
    voice: Voice,
    snr_db: float | None,
    piano_below_db: float | None,
    band: str,
    speed: SpeedPlan,
    chain: Chain | None = None,
) -> tuple[Samples, Truth]:
    """One transfer of a planned side.

    Parameters
    ----------
    voice : the solo's voice, e.g. of ``random_voice``.
    snr_db : the solo while it sounds against the surface noise (100-5000 Hz); None for no noise.
    piano_below_db : how far the piano lies below the solo while it sounds (negative: above); None: no piano.
    band : "acoustic", "electrical" or "full".
    speed : the true speed against the transfer's.
    chain : horn or microphone, room and noise; a random one of the band if None.

    Returns
    -------
    samples : float32 (n,), peak 0.7.
    truth : see ``Truth``; slides of kind ``into_note`` are in ``truth.slides`` like all others.
    """
    block = max(1, round(sample_rate_hz / _CONTROL_HZ))
    warp = time_warp(speed, true_length_s=plan.length_s, step_s=block / sample_rate_hz)
    n = (warp.transfer_s.size - 1) * block
    base = pitch_curve(plan, warp.true_s)
    unsteady = voice.jitter_cents * wander(rng, warp.true_s, rate_hz=9.0)
    true_midi = base + (vibrato_cents(plan, warp.true_s, rng=rng) + unsteady) / 100.0
    stroke, level_db, burst = loudness(plan, warp.true_s, attack_s=voice.attack_s, release_s=voice.release_s, rng=rng)
    level_db = level_db + 0.7 * wander(rng, warp.true_s, rate_hz=12.0)
    solo, sounding_hz = _solo(
        plan, warp, true_midi, stroke, level_db, burst, voice, rng, block, sample_rate_hz, band, n
    )
    chain = random_chain(rng, band=band) if chain is None else chain
    sounding = np.repeat(stroke[:-1] >= _SILENT, block)
    share = max(float(sounding.mean()), 1e-3)
    mix = solo
    if piano_below_db is not None and plan.accompaniment:
        true_audio = np.interp(np.arange(n) / sample_rate_hz, warp.transfer_s, warp.true_s)
        piano = render_piano(
            plan.accompaniment,
            piano=random_piano(rng),
            rng=rng,
            true_s=true_audio,
            reference_pitch_hz=plan.reference_pitch_hz,
            highest_hz=min(_LIMIT_HZ[band], 0.45 * sample_rate_hz),
        )
        loud = _level(solo) / np.sqrt(share)
        mix = solo + piano * np.float32(loud / max(_level(piano), 1e-9) * 10.0 ** (-piano_below_db / 20.0))
    heard = through_chain(mix, chain=chain, sample_rate_hz=sample_rate_hz, rng=rng)
    if snr_db is not None:
        loud = level_through(solo, chain=chain, sample_rate_hz=sample_rate_hz) / np.sqrt(share)
        noise = surface(n, chain=chain, sample_rate_hz=sample_rate_hz, rng=rng)
        heard = heard + noise * np.float32(loud * 10.0 ** (-snr_db / 20.0))
    peak = max(float(np.abs(heard).max(initial=0.0)), 1e-9)
    if chain.clip:
        heard = np.tanh(heard * np.float32(chain.clip / peak)) / np.float32(np.tanh(chain.clip)) * np.float32(peak)
    samples = np.asarray(heard * np.float32(0.7 / peak), dtype=np.float32)
    return samples, _truth(plan, warp, sounding_hz, stroke, speed, band, chain.hum_hz)


def _level(samples: Samples) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))


def _solo(
    plan: Plan,
    warp: TimeWarp,
    true_midi: Floats,
    stroke: Floats,
    level_db: Floats,
    burst: Floats,
    voice: Voice,
    rng: np.random.Generator,
    block: int,
    sample_rate_hz: int,
    band: str,
    n: int,
) -> tuple[Samples, Floats]:
    """Samples of the solo with bow noise, and its sounding pitch in Hz on the control grid."""
    amplitude = stroke * 10.0 ** (level_db / 20.0)
    slower = np.exp2(-warp.cents / 1200.0)
    drift = 0.08 * wander(rng, warp.true_s, rate_hz=0.7)
    true_hz = plan.reference_pitch_hz * np.exp2((true_midi - 69.0) / 12.0)
    lines = [(true_hz, amplitude)]
    double = pitch_curve(plan, warp.true_s, double=True)
    if np.any(np.isfinite(double)):
        inside = np.isfinite(double).astype(np.float64)
        edge = np.convolve(inside, np.full(41, 1.0 / 41.0), mode="same")
        other = plan.reference_pitch_hz * np.exp2((np.nan_to_num(double, nan=60.0) - 69.0) / 12.0)
        lines.append((other, amplitude * 0.8 * edge * inside))
    solo = np.zeros(n, dtype=np.float32)
    for line_hz, line_amplitude in lines:
        solo += voice.play(
            line_hz * slower,
            true_hz=line_hz,
            amplitude=line_amplitude,
            brightness_db=level_db,
            bow_drift=drift,
            block=block,
            sample_rate_hz=float(sample_rate_hz),
            limit_hz=_LIMIT_HZ[band],
            n=n,
        )
    size = fft.next_fast_len(n, real=True)
    hz = fft.rfftfreq(size, 1.0 / sample_rate_hz)
    spectrum = rng.standard_normal((hz.size, 2), dtype=np.float32).view(np.complex64)[:, 0]
    spectrum *= (body_response(hz, voice=voice) / np.sqrt(1.0 + (hz / 4000.0) ** 2)).astype(np.float32)
    rustle = np.asarray(fft.irfft(spectrum, size)[:n], dtype=np.float32)
    at = np.arange(n) / block
    envelope = np.interp(at, np.arange(amplitude.size), amplitude * (1.0 + 3.0 * burst)).astype(np.float32)
    rustle *= envelope * np.float32(_level(solo) / max(_level(rustle), 1e-9) * 10.0 ** (voice.noise_db / 20.0))
    return solo + rustle, true_hz * slower


def _truth(
    plan: Plan, warp: TimeWarp, sounding_hz: Floats, stroke: Floats, speed: SpeedPlan, band: str, hum_hz: float
) -> Truth:
    grid = np.arange(int(warp.transfer_s[-1] * 1000.0) + 1) / 1000.0
    f0 = np.exp2(np.interp(grid, warp.transfer_s, np.log2(sounding_hz)))
    f0[np.interp(grid, warp.transfer_s, stroke) < _SILENT] = np.nan
    true_s = np.interp(grid, warp.transfer_s, warp.true_s)
    slides = []
    for slide in plan.slides:
        early, late = audible_bounds(slide)
        times = warp.to_transfer_s(np.array([slide.start_s, slide.end_s, early, late]))
        start, end, audible_start, audible_end = (float(t) for t in times)
        slides.append(TrueSlide(slide, start, end, audible_start, audible_end, early, late))
    return Truth(
        transfer_time_s=grid,
        f0_hz=f0,
        correction_cents=np.interp(grid, warp.transfer_s, warp.cents),
        slides=tuple(slides),
        plan=plan,
        details={
            "offset_cents": speed.offset_cents,
            "wow_hz": speed.wow_hz,
            "wow_cents": speed.wow_cents,
            "band": band,
            "hum_hz": hum_hz,
        },
        true_time_s=true_s,
        double_stop=np.isfinite(pitch_curve(plan, true_s, double=True)),
    )
