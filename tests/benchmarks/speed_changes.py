"""Small sudden changes: found and invented, by a soloist alone also by one who is told the moment, and beside a piano.

Pitch lines without sound, as in ``speed``, with drifts and wow. Each side is measured without a change, with one of 10
cents, and with one of the size that it says it would show. One who is told the moment has the same tones, weights and
drift, and need not search: more than that share cannot be found with as few false alarms. Beside a piano (0-12 dB
below, 10-30 dB signal to noise, acoustic) sides of 60-120 s are rendered and followed, with and without a change of 10
cents. ``tests.benchmarks.speed`` prints the table; by themselves:

    OMP_NUM_THREADS=1 python -m tests.benchmarks.speed_changes [--sides 200] [--beside 40] [--first 130000]
        [--processes 16]
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from pipeline.signal.synth.plans import random_plan
from pipeline.signal.tuning.curve import JUMP_LEAST_SIGMAS, TuningCurve, tuning_curve
from pipeline.signal.tuning.jump import jump_column
from pipeline.signal.tuning.jump_time import sure_frames
from pipeline.signal.tuning.measure import measure_side
from pipeline.signal.tuning.spline import fit_curve
from pipeline.signal.tuning.steady_tones import Tracks, solo_tracks
from tests.benchmarks.speed_lines import RATE, followed_side, planted_speed, simulated_line

FIRST = 130_000
SMALL_CENTS = 10.0
_MARGIN_S = 1.0


@dataclass(frozen=True)
class Tried:
    """One side: changes invented, whether 10 cents are found, and by one told the moment, the stated size, if found."""

    invented: int
    found: bool
    told: bool
    least_cents: float | None
    least_found: bool


def tried(seed: int) -> Tried:
    """Measure one side three times."""
    rng = np.random.default_rng(seed)
    length_s = float(rng.uniform(60.0, 200.0))
    instrument = ("violin", "cello")[seed % 2]
    plan = random_plan(rng, instrument=instrument, length_s=length_s, reference_pitch_hz=440.0)
    speed = planted_speed(rng, changes=False)
    sign, fraction = float(rng.choice((-1.0, 1.0))), float(rng.uniform(0.15, 0.85))
    moment_s = fraction * speed.nominal_length_s(length_s)

    def measured(cents: float) -> tuple[Tracks, TuningCurve]:
        stepped = replace(speed, step_cents=sign * cents, step_fraction=fraction)
        # the same playing and the same errors of the line each time
        again = np.random.default_rng([seed, 1])
        time_s, f0_hz, sure = simulated_line(plan, speed=stepped, rng=again, noise_cents=1.0)
        _, tracks = solo_tracks(time_s, f0_hz, confidence=sure, least_confidence=0.5)
        frames = sure_frames(time_s, f0_hz, confidence=sure, least_confidence=0.5)
        return tracks, tuning_curve(tracks, length_s=float(time_s[-1]), frames=frames)

    _, plain = measured(0.0)
    tracks, small = measured(SMALL_CENTS)
    least = plain.least_jump_cents
    return Tried(
        len(plain.jumps),
        _holds(small, moment_s),
        _told(tracks, small, moment_s),
        least,
        least is not None and _holds(measured(least)[1], moment_s),
    )


@dataclass(frozen=True)
class Beside:
    """One rendered side with piano: changes invented where there is none, and whether one of 10 cents is found."""

    invented: int
    found: bool


def beside_piano(seed: int) -> Beside | None:
    """Render, follow and measure one side twice; None where it cannot be measured."""
    rng = np.random.default_rng(seed)
    length_s = float(rng.uniform(60.0, 120.0))
    instrument = ("violin", "cello")[seed % 2]
    plan = random_plan(rng, instrument=instrument, length_s=length_s, reference_pitch_hz=440.0, with_piano=True)
    speed = planted_speed(rng, changes=False)
    sign, fraction = float(rng.choice((-1.0, 1.0))), float(rng.uniform(0.15, 0.85))
    below_db, snr_db = float(rng.choice((0.0, 6.0, 12.0))), float(rng.choice((10.0, 20.0, 30.0)))

    def measured(cents: float) -> TuningCurve | None:
        changed = replace(speed, step_cents=sign * cents, step_fraction=fraction)
        again = np.random.default_rng([seed, 1])
        samples, time_s, f0_hz, confidence = followed_side(
            plan, speed=changed, rng=again, snr_db=snr_db, piano_below_db=below_db, band="acoustic"
        )
        return measure_side(samples, sample_rate_hz=RATE, time_s=time_s, f0_hz=f0_hz, confidence=confidence).curve

    plain, small = measured(0.0), measured(SMALL_CENTS)
    if plain is None or small is None:
        return None
    return Beside(len(plain.jumps), _holds(small, fraction * speed.nominal_length_s(length_s)))


def _holds(curve: TuningCurve, moment_s: float) -> bool:
    return any(jump.bounds_s[0] - _MARGIN_S <= moment_s <= jump.bounds_s[1] + _MARGIN_S for jump in curve.jumps)


def _told(tracks: Tracks, curve: TuningCurve, moment_s: float) -> bool:
    # the fit that knows of no change, or of others, with a column for the change where it is
    step = jump_column(tracks, time_s=moment_s)
    fit = fit_curve(
        tracks, start=curve.fit.curve, length_s=curve.length_s, extra=step, extra_sd=np.array([1e4]), rounds=6
    )
    return abs(float(fit.coefficient[-1])) >= JUMP_LEAST_SIGMAS * float(np.sqrt(fit.covariance[-1, -1]))


def say(sides: int, beside: int, first: int, *, processes: int = 1) -> None:
    """Print the table of ``sides`` by a soloist alone and ``beside`` beside a piano."""
    with ProcessPoolExecutor(processes) as pool:
        rows = list(pool.map(tried, range(first, first + sides)))
        rendered = [row for row in pool.map(beside_piano, range(first, first + beside)) if row]
    least = np.array([row.least_cents for row in rows if row.least_cents is not None])
    found = [row.least_found for row in rows if row.least_cents is not None]
    low, middle, high = np.percentile(least, [10, 50, 90])
    print(f"\nsudden changes by a soloist alone, {sides} sides without sound")
    print(f"  none planted: invented on {sum(row.invented > 0 for row in rows)}")
    print(f"  of {SMALL_CENTS:.0f} cents: found {100 * np.mean([row.found for row in rows]):.0f} %, ", end="")
    print(f"by one told the moment {100 * np.mean([row.told for row in rows]):.0f} %")
    print(f"  of the size each side states, {middle:.1f} cents ({low:.1f} to {high:.1f}): ", end="")
    print(f"found {100 * np.mean(found):.0f} % of {len(found)} (stated: 90)")
    print(f"beside a piano, {len(rendered)} of {beside} rendered sides measured")
    print(f"  none planted: invented on {sum(row.invented > 0 for row in rendered)}")
    print(f"  of {SMALL_CENTS:.0f} cents: found on {sum(row.found for row in rendered)}")


def main() -> None:
    """Print the table by itself."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sides", type=int, default=200)
    parser.add_argument("--beside", type=int, default=40)
    parser.add_argument("--first", type=int, default=FIRST)
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args()
    say(asked.sides, asked.beside, asked.first, processes=asked.processes)


if __name__ == "__main__":
    main()
