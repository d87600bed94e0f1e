"""Renders a plan as one transfer, with the exact truth of what sounds in it.

Everything is made directly at the warped phase: the solo's pitch at each moment of the transfer is its true pitch
less the correction, and the piano's phase runs in true time. So the truth is that of the samples, not of a
resampling. ``render_side`` is the whole interface; equal arguments and generator states give equal samples.

>>> from pipeline.signal.synth.plans import random_plan
>>> from pipeline.signal.synth.voice import random_voice
>>> rng = np.random.default_rng(1)
>>> plan = random_plan(rng, instrument="violin", length_s=3.0, reference_pitch_hz=440.0)
>>> voice = random_voice(rng, instrument="violin")
>>> samples, truth = render_side(plan, rng=rng, sample_rate_hz=44100, voice=voice, snr_db=20.0,
...                              piano_below_db=None, band="acoustic", speed=SpeedPlan(offset_cents=35.0))
>>> round(samples.size / 44100)  # 35 cents flat, so that it lasts 2 % longer
3
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from pipeline.signal.synth.beside import RINGING, Beside
from pipeline.signal.synth.curve import audible_bounds, pitch_curve, vibrato_cents, wander
from pipeline.signal.synth.degrade import Chain, level_through, random_chain, surface, through_chain
from pipeline.signal.synth.loudness import loudness
from pipeline.signal.synth.manner import PLAIN, Manner
from pipeline.signal.synth.piano import Piano, random_piano, render_piano
from pipeline.signal.synth.plan import AccompanimentNote, Plan, TrueSlide, Truth
from pipeline.signal.synth.speedplan import SpeedPlan, TimeWarp, time_warp
from pipeline.signal.synth.voice import Voice, body_response
from pipeline.units import Floats, gain_of_db, hz_of_midi, ms_of_s, ratio_of_cents, s_of_ms

Samples = npt.NDArray[np.float32]
_SILENT = 0.05  # share of the loudest stroke below which nothing sounds
_HISS_HZ = 2500.0  # where the bow's hiss sets in (common practice, no source)
_CONTROL_HZ = 2000.0  # rate of pitch and loudness curves
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
    manner: Manner = PLAIN,
    beside: Beside | None = None,
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
    manner : how the player's tone moves.
    beside : what else sounds; the truth stays that of the solo.

    Returns
    -------
    samples : float32 (n,), peak 0.7.
    truth : see ``Truth``; slides of kind ``into_note`` are in ``truth.slides`` like all others.
    """
    block = max(1, round(sample_rate_hz / _CONTROL_HZ))
    warp = time_warp(speed, true_length_s=plan.length_s, step_s=block / sample_rate_hz)
    grid = _Grid(warp, block, sample_rate_hz, _LIMIT_HZ[band])
    solo, sounding_hz, stroke = _bowed(plan, grid, voice, manner, rng)
    chain = random_chain(rng, band=band) if chain is None else chain
    share = _sounding_share(stroke, block)
    loud = _level(solo) / np.sqrt(share)
    mix = solo
    if piano_below_db is not None and plan.accompaniment:
        piano = _struck(plan, plan.accompaniment, random_piano(rng), grid, rng)
        mix = solo + piano * np.float32(loud / max(_level(piano), 1e-9) * gain_of_db(-piano_below_db))
    if beside is not None:
        mix = mix + _others(plan, beside, grid, manner, loud, rng)
    heard = through_chain(mix, chain=chain, sample_rate_hz=sample_rate_hz, rng=rng)
    if snr_db is not None:
        loud = level_through(solo, chain=chain, sample_rate_hz=sample_rate_hz) / np.sqrt(share)
        noise = surface(grid.n, chain=chain, sample_rate_hz=sample_rate_hz, rng=rng)
        heard = heard + noise * np.float32(loud * gain_of_db(-snr_db))
    peak = max(float(np.abs(heard).max(initial=0.0)), 1e-9)
    if chain.clip:
        heard = np.tanh(heard * np.float32(chain.clip / peak)) / np.float32(np.tanh(chain.clip)) * np.float32(peak)
    samples = np.asarray(heard * np.float32(0.7 / peak), dtype=np.float32)
    return samples, _truth(plan, warp, sounding_hz, stroke, speed, chain)


@dataclass(frozen=True)
class _Grid:
    """The times of a transfer: control points every ``block`` samples, and the highest partial made."""

    warp: TimeWarp
    block: int
    sample_rate_hz: int
    limit_hz: float

    @property
    def n(self) -> int:
        return (self.warp.transfer_s.size - 1) * self.block


def _level(samples: Samples) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))


def _sounding_share(stroke: Floats, block: int) -> float:
    return max(float(np.repeat(stroke[:-1] >= _SILENT, block).mean()), 1e-3)


def _struck(
    plan: Plan, notes: tuple[AccompanimentNote, ...], piano: Piano, grid: _Grid, rng: np.random.Generator
) -> Samples:
    """Samples of a piano, or of strings that ring on."""
    rate = grid.sample_rate_hz
    return render_piano(
        notes,
        piano=piano,
        rng=rng,
        true_s=np.interp(np.arange(grid.n) / rate, grid.warp.transfer_s, grid.warp.true_s),
        reference_pitch_hz=plan.reference_pitch_hz,
        highest_hz=min(grid.limit_hz, 0.45 * rate),
    )


def _others(plan: Plan, beside: Beside, grid: _Grid, manner: Manner, loud: float, rng: np.random.Generator) -> Samples:
    """Samples of what sounds beside a solo of level ``loud``."""
    mix = np.zeros(grid.n, dtype=np.float32)
    for part in beside.bowed:
        sound, _, stroke = _bowed(part.plan, grid, part.voice, manner, rng)
        own = _level(sound) / np.sqrt(_sounding_share(stroke, grid.block))
        mix += sound * np.float32(loud / max(own, 1e-9) * gain_of_db(-part.below_db))
    if beside.ringing:
        sound = _struck(plan, beside.ringing, RINGING, grid, rng)
        highest = max(float(np.abs(sound).max(initial=0.0)), 1e-9)
        mix += sound * np.float32(np.sqrt(2.0) * loud / highest * gain_of_db(-beside.ringing_below_db))
    return mix


def _bowed(
    plan: Plan, grid: _Grid, voice: Voice, manner: Manner, rng: np.random.Generator
) -> tuple[Samples, Floats, Floats]:
    """Samples of a bowed line with bow noise; its sounding pitch in Hz and its strokes on the control grid."""
    warp, block, n = grid.warp, grid.block, grid.n
    base = pitch_curve(plan, warp.true_s)
    unsteady = manner.slow_jitter_share * voice.jitter_cents * wander(rng, warp.true_s, rate_hz=9.0)
    if manner.fast_jitter_cents:
        unsteady += manner.fast_jitter_cents * wander(rng, warp.true_s, rate_hz=25.0)
    true_midi = base + (vibrato_cents(plan, warp.true_s, rng=rng, manner=manner) + unsteady) / 100.0
    loud = loudness(plan, warp.true_s, attack_s=voice.attack_s, release_s=voice.release_s, rng=rng, manner=manner)
    level_db = loud.level_db + manner.level_unrest_db * wander(rng, warp.true_s, rate_hz=manner.level_unrest_hz)
    amplitude = loud.stroke * gain_of_db(level_db)
    slower = ratio_of_cents(-warp.cents)
    drift = 0.08 * wander(rng, warp.true_s, rate_hz=0.7)
    true_hz = hz_of_midi(true_midi, reference_pitch_hz=plan.reference_pitch_hz)
    lines = [(true_hz, amplitude)]
    double = pitch_curve(plan, warp.true_s, double=True)
    if np.any(np.isfinite(double)):
        inside = np.isfinite(double).astype(np.float64)
        edge = np.convolve(inside, np.full(41, 1.0 / 41.0), mode="same")
        other = hz_of_midi(np.nan_to_num(double, nan=60.0), reference_pitch_hz=plan.reference_pitch_hz)
        lines.append((other, amplitude * plan.double_gain * edge * inside))
    sound = np.zeros(n, dtype=np.float32)
    for line_hz, line_amplitude in lines:
        sound += voice.play(
            line_hz * slower,
            true_hz=line_hz,
            amplitude=line_amplitude,
            brightness_db=level_db,
            bow_drift=drift,
            block=block,
            sample_rate_hz=float(grid.sample_rate_hz),
            limit_hz=grid.limit_hz,
            n=n,
            partials=loud.partials,
        )
    rustle = _rustle(grid, voice, manner, rng)
    at = np.arange(n) / block
    envelope = np.interp(at, np.arange(amplitude.size), amplitude * (1.0 + loud.burst)).astype(np.float32)
    rustle *= envelope * np.float32(_level(sound) / max(_level(rustle), 1e-9) * gain_of_db(voice.noise_db))
    return sound + rustle, true_hz * slower, loud.stroke


def _rustle(grid: _Grid, voice: Voice, manner: Manner, rng: np.random.Generator) -> Samples:
    """Noise (n,) of a bow drawn evenly, as the body lets it through; not scaled."""
    size = fft.next_fast_len(grid.n, real=True)
    hz = fft.rfftfreq(size, 1.0 / grid.sample_rate_hz)
    spectrum = rng.standard_normal((hz.size, 2), dtype=np.float32).view(np.complex64)[:, 0]
    gain = body_response(hz, voice=voice) / np.sqrt(1.0 + (hz / 4000.0) ** 2)
    if manner.hiss_db:
        gain *= gain_of_db(manner.hiss_db * np.clip(np.log2(np.maximum(hz, 1.0) / _HISS_HZ) + 0.5, 0.0, 1.0))
    spectrum *= gain.astype(np.float32)
    return np.asarray(fft.irfft(spectrum, size)[: grid.n], dtype=np.float32)


def _truth(plan: Plan, warp: TimeWarp, sounding_hz: Floats, stroke: Floats, speed: SpeedPlan, chain: Chain) -> Truth:
    grid = s_of_ms(np.arange(int(ms_of_s(warp.transfer_s[-1])) + 1))
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
            "band": chain.band,
            "hum_hz": chain.hum_hz,
            "rings_s": chain.rings_s,
        },
        true_time_s=true_s,
        double_stop=np.isfinite(pitch_curve(plan, true_s, double=True)),
    )
