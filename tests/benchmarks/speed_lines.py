"""Pitch lines of planned sides: made at once without sound, as a good tracker would give them, or of rendered sound."""

from typing import Any

import numpy as np

from pipeline.signal.line.follow import follow
from pipeline.signal.synth.curve import pitch_curve, vibrato_cents
from pipeline.signal.synth.loudness import loudness
from pipeline.signal.synth.plan import Plan
from pipeline.signal.synth.render import render_side
from pipeline.signal.synth.speedplan import SpeedPlan, time_warp
from pipeline.signal.synth.voice import random_voice
from pipeline.units import Floats

HOP_S = 64 / 11025
RATE = 44100


def planted_speed(rng: np.random.Generator, *, changes: bool = True) -> SpeedPlan:
    """Offset with the tails that discs have, drift of either sign, wow on half of all sides, a jump on a third.

    Without ``changes`` there is no jump.
    """
    wow = bool(rng.random() < 0.5)
    jump = changes and bool(rng.random() < 1 / 3)
    return SpeedPlan(
        offset_cents=float(np.clip(45.0 * rng.standard_t(4), -250.0, 250.0)),
        drift_cents=float(rng.uniform(-40.0, 40.0)),
        drift_shape=str(rng.choice(("line", "curve", "bump"))),
        wow_hz=float(rng.uniform(76.0, 81.0) / 60.0) if wow else 0.0,
        wow_cents=float(rng.uniform(2.0, 15.0)) if wow else 0.0,
        wow_phase_rad=float(rng.uniform(0.0, 2.0 * np.pi)),
        radius_ratio=float(rng.uniform(1.2, 2.2)),
        step_fraction=float(rng.uniform(0.2, 0.8)) if jump else 0.0,
        step_cents=float(rng.choice((-1.0, 1.0)) * rng.uniform(20.0, 45.0)) if jump else 0.0,
    )


def simulated_line(
    plan: Plan, *, speed: SpeedPlan, rng: np.random.Generator, noise_cents: float
) -> tuple[Floats, Floats, Floats]:
    """Frame times, pitch and voicing of a side in raw transfer time.

    Tracking is imitated by a 46 ms mean, white errors of ``noise_cents``, and one note in forty an octave off.
    """
    warp = time_warp(speed, true_length_s=plan.length_s, step_s=HOP_S)
    midi = pitch_curve(plan, warp.true_s) + vibrato_cents(plan, warp.true_s, rng=rng) / 100.0
    midi = np.convolve(np.pad(midi, 3, mode="edge"), np.hanning(9)[1:-1] / np.hanning(9).sum(), mode="valid")
    midi = midi - warp.cents / 100.0 + rng.normal(0.0, noise_cents / 100.0, midi.size)
    for note in plan.notes:
        if rng.random() < 0.025:
            a, b = np.searchsorted(warp.true_s, [note.start_s, note.end_s])
            midi[a:b] += rng.choice((-12.0, 12.0))
    stroke = loudness(plan, warp.true_s, attack_s=0.04, release_s=0.06, rng=rng).stroke
    f0_hz = plan.reference_pitch_hz * np.exp2((midi - 69.0) / 12.0)
    f0_hz[stroke < 0.1] = np.nan
    return warp.transfer_s, f0_hz, np.where(stroke < 0.1, 0.05, 0.95)


def followed_side(
    plan: Plan,
    *,
    speed: SpeedPlan,
    rng: np.random.Generator,
    snr_db: float,
    piano_below_db: float | None,
    band: str,
) -> tuple[Any, Floats, Floats, Floats]:
    """Samples at ``RATE`` of a rendered side, and frame times, pitch and confidence of its line as it is followed."""
    samples, _ = render_side(
        plan,
        rng=rng,
        sample_rate_hz=RATE,
        voice=random_voice(rng, instrument=plan.instrument),
        snr_db=snr_db,
        piano_below_db=piano_below_db,
        band=band,
        speed=speed,
    )
    line = follow(samples, sample_rate_hz=RATE, instrument=plan.instrument)
    return samples, line.time_s, line.f0_hz, line.confidence
