"""Speed correction against planted truth: tuning curve, wow, sudden changes, semitones, calibration, times.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.speed [--lines 200] [--sides 36] [--covered 200]
        [--first 90000] [--kept DIR] [--folder SOUND] [--processes 16]

Four suites. *Lines*: pitch lines as a tracker gives them for planned solos (46 ms mean, 1 cent of noise, one note in
forty an octave off), cheap enough for rates and calibration. *Sides*: rendered sound, 60-200 s, violin and cello,
solo and with piano 0-12 dB below, 30, 20 and 10 dB signal to noise, acoustic and electrical, followed by this
package's own tracker. *Changes*: small sudden changes, by a soloist alone and beside a piano (``speed_changes``).
*Limits*: sides drawn without sound, for how often both intervals hold the truth, half-semitone changes, scordatura and
transposition (``speed_coverage``). With ``--folder`` real playing is read at other speeds (``speed_real``). Thresholds
were chosen on seeds below 10,000; those here begin at 90,000. With ``--kept`` rendered and followed sides are stored
and used again.
"""

import argparse
import pickle
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.signal.speed.resample import correct_samples
from pipeline.signal.speed.session import settle_together
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.synth.plans import random_plan
from pipeline.signal.synth.speedplan import SpeedPlan
from pipeline.signal.tuning.coarse_path import wrap100
from pipeline.signal.tuning.curve import Jump
from pipeline.signal.tuning.jump_time import sure_frames
from pipeline.signal.tuning.measure import MeasuredSide, measure_side, measure_tracks, side_row
from pipeline.signal.tuning.steady_tones import Tracks, solo_tracks
from pipeline.steps.settle.sides import side_evidence
from pipeline.units import Floats
from tests.benchmarks import speed_changes, speed_coverage, speed_real
from tests.benchmarks.speed_lines import RATE, followed_side, planted_speed, simulated_line

GRID_S = 0.02


@dataclass(frozen=True)
class Scene:
    """What one side was made of, and its measurement; times in s of CPU."""

    seed: int
    instrument: str
    piano_db: float | None
    snr_db: float | None
    band: str | None
    key: str
    speed: SpeedPlan
    true_length_s: float
    measured: MeasuredSide
    seconds: float


def line_scene(seed: int, *, length_s: float | None = None) -> Scene:
    """A planned solo as a pitch line, measured."""
    rng = np.random.default_rng(seed)
    instrument = ("violin", "cello")[seed % 2]
    length = float(rng.uniform(60.0, 200.0)) if length_s is None else length_s
    plan = random_plan(rng, instrument=instrument, length_s=length, reference_pitch_hz=440.0)
    speed = planted_speed(rng)
    time_s, f0_hz, sure = simulated_line(plan, speed=speed, rng=rng, noise_cents=1.0)
    began = time.process_time()
    notes, solo = solo_tracks(time_s, f0_hz, confidence=sure, least_confidence=0.5)
    none, no_ints = np.empty(0), np.empty(0, dtype=np.int64)
    others = Tracks(none, none, none, none, no_ints, no_ints, np.empty(0, dtype=np.bool_))
    frames = sure_frames(time_s, f0_hz, confidence=sure, least_confidence=0.5)
    measured = measure_tracks(notes, solo, others, frames=frames, length_s=float(time_s[-1]), hum=())
    took = time.process_time() - began
    return Scene(seed, instrument, None, None, None, plan.key, speed, length, measured, took)


def sound_scene(seed: int, kept: Path | None) -> Scene:
    """A rendered side, followed and measured."""
    rng = np.random.default_rng(seed)
    number = seed % 1000
    instrument = ("violin", "cello")[number % 2]
    piano_db = (None, 12.0, 6.0, 0.0)[(number // 2) % 4] if (number // 2) % 2 else None
    piano_db = float(rng.choice((0.0, 6.0, 12.0))) if piano_db is not None else None
    snr_db, band = (30.0, 20.0, 10.0)[number % 3], ("acoustic", "electrical")[(number // 3) % 2]
    length = float(rng.uniform(60.0, 200.0))
    plan = random_plan(
        rng, instrument=instrument, length_s=length, reference_pitch_hz=440.0, with_piano=piano_db is not None
    )
    speed = planted_speed(rng)

    def make() -> tuple[Any, ...]:
        return followed_side(plan, speed=speed, rng=rng, snr_db=snr_db, piano_below_db=piano_db, band=band)

    samples, time_s, f0_hz, confidence = _kept(kept, f"side-{seed}.pickle", make)
    began = time.process_time()
    measured = measure_side(samples, sample_rate_hz=RATE, time_s=time_s, f0_hz=f0_hz, confidence=confidence)
    took = time.process_time() - began
    return Scene(seed, instrument, piano_db, snr_db, band, plan.key, speed, length, measured, took)


def _kept(folder: Path | None, name: str, make: Callable[[], tuple[Any, ...]]) -> tuple[Any, ...]:
    if folder is None:
        return make()
    path = folder / name
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(make()))
    return tuple(pickle.loads(path.read_bytes()))


def score(scene: Scene) -> dict[str, float]:
    """Errors of one scene; NaN where a figure does not apply."""
    curve = scene.measured.curve
    if curve is None:
        return {}
    grid = np.arange(0.0, scene.measured.length_s, GRID_S)
    truth = -scene.speed.cents_at(grid, true_length_s=scene.true_length_s)
    wrong = wrap100(curve.at(grid) - truth)
    offset = float(wrap100(np.median(wrong)))
    offset += float(np.mean(wrap100(wrong - offset)))
    thin = slice(0, None, 50)
    share = np.abs(wrong[thin]) / curve.se_at(grid[thin])
    jump = max(curve.jumps, key=lambda jump: abs(jump.cents), default=None)
    jump_at = scene.speed.step_fraction * scene.speed.nominal_length_s(scene.true_length_s)
    jumped, found = scene.speed.step_cents != 0.0, jump is not None
    astray = abs(jump.time_s - jump_at) if jumped and jump is not None else np.nan
    wow = curve.wow
    return {
        "offset": abs(offset),
        "rms": float(np.std(wrap100(wrong - offset))),
        "within_1": float(np.mean(share < 1.0)),
        "within_2": float(np.mean(share < 2.0)),
        "mean_within_1": float(abs(offset) < curve.mean_se()),
        "mean_within_2": float(abs(offset) < 2 * curve.mean_se()),
        "jump_found": float(found) if jumped else np.nan,
        "jump_placed": astray,
        "jump_sure": astray / max(jump.se_s, 0.01) if jump is not None else np.nan,
        "jump_silent": float(_in_silence(scene, jump, jump_at)) if jump is not None and astray >= 0.5 else np.nan,
        "jump_bounded": float(jump.bounds_s[0] <= jump_at <= jump.bounds_s[1])
        if jumped and jump is not None
        else np.nan,
        "jump_false": float(found) if not jumped else np.nan,
        "wow_found": float(wow is not None) if scene.speed.wow_cents else np.nan,
        "wow_false": float(wow is not None) if not scene.speed.wow_cents else np.nan,
        "wow_depth": abs(wow.cents - scene.speed.wow_cents) if wow and scene.speed.wow_cents else np.nan,
        "wow_mhz": 1e3 * abs(wow.hz - scene.speed.wow_hz) if wow and scene.speed.wow_cents else np.nan,
        "realtime": scene.measured.length_s / max(scene.seconds, 1e-9),
    }


def _in_silence(scene: Scene, jump: Jump, moment_s: float) -> bool:
    # nothing steady sounds at the moment itself: no note of the line, and what is stated is a gap with nothing in it
    notes, (low, high) = scene.measured.notes, jump.bounds_s
    inside = (notes.start_s < high - 0.1) & (notes.end_s > low + 0.1)
    return bool(low <= moment_s <= high and not inside.any())


def read(scene: Scene, *, with_key: bool) -> tuple[Floats, Floats, float]:
    """Probabilities of all readings, whether each is right, and the CPU time of settling."""
    known: dict[str, Any] = {
        "side": "side",
        "key": scene.key.replace("b ", " flat ") if with_key else None,
        "key_share": 1.0,
        "open_strings": None,
        "references": {"stated": {"hz": 440.0, "sd_cents": 2.0, "probability": 1.0, "stated": True}},
        "turntable_rpm": 3600 / 46,
        "already_corrected": "no",
        "process": None,
        "labels": [],
    }
    began = time.process_time()
    evidence = side_evidence("side", side_row(scene.measured), known, scene.instrument, 0.92)
    readings = settle_together([evidence])["side"].readings
    took = time.process_time() - began
    grid = np.arange(0.0, scene.measured.length_s, GRID_S)
    truth = scene.speed.cents_at(grid, true_length_s=scene.true_length_s).mean()
    right = np.array([abs(reading.offset_cents - truth) < 50.0 for reading in readings], dtype=np.float64)
    return np.array([reading.probability for reading in readings]), right, took


def calibration(probability: Floats, right: Floats) -> float:
    """Expected calibration error in ten bins."""
    bins = np.clip((probability * 10).astype(int), 0, 9)
    return float(
        sum(
            abs(probability[bins == b].mean() - right[bins == b].mean()) * np.mean(bins == b)
            for b in range(10)
            if (bins == b).any()
        )
    )


def say_curves(name: str, scenes: list[Scene]) -> None:
    """Print the figures of curves over scenes."""
    rows = [row for row in (score(scene) for scene in scenes) if row]
    if not rows:
        return
    table = {key: np.array([row[key] for row in rows]) for key in rows[0]}

    def most(key: str) -> str:
        values = table[key][np.isfinite(table[key])]
        return f"{np.median(values):.2f} ({values.max():.2f}, n={values.size})" if values.size else "none"

    def share(key: str) -> str:
        values = table[key][np.isfinite(table[key])]
        return f"{100 * values.mean():.1f} % of {values.size}" if values.size else "none"

    placed = table["jump_placed"][np.isfinite(table["jump_placed"])]
    print(f"\n{name}: {len(rows)} of {len(scenes)} measured")
    print(f"  offset, median (max), cents   {most('offset')}")
    print(f"  curve RMS, median (max)       {most('rms')}")
    print(f"  curve within 1 / 2 errors     {share('within_1')} / {share('within_2')}")
    print(f"  offset within 1 / 2 errors    {share('mean_within_1')} / {share('mean_within_2')}")
    print(f"  jumps >= 20 cents found       {share('jump_found')}, within 0.5 s {int((placed < 0.5).sum())}")
    print(f"  jump placed, median (max), s  {most('jump_placed')}; false {share('jump_false')}")
    sure = table["jump_sure"][np.isfinite(table["jump_sure"])]
    print(f"  places within 1 / 2 errors    {int((sure < 1).sum())} / {int((sure < 2).sum())} of {sure.size}")
    silent = table["jump_silent"][np.isfinite(table["jump_silent"])]
    print(f"  places within stated bounds   {share('jump_bounded')}")
    print(f"  placed 0.5 s off or more      {silent.size}, of these in a silence stated as such {int(silent.sum())}")
    print(f"  wow >= 2 cents found          {share('wow_found')}; false {share('wow_false')}")
    print(f"  wow depth, cents              {most('wow_depth')}; frequency, mHz {most('wow_mhz')}")
    print(f"  measuring, x real time        {np.median(table['realtime']):.0f} (least {table['realtime'].min():.0f})")


def say_readings(name: str, scenes: list[Scene]) -> None:
    """Print semitones and their calibration, with and without a known key."""
    for with_key in (True, False):
        read_all = [read(scene, with_key=with_key) for scene in scenes if scene.measured.curve is not None]
        if not read_all:
            return
        first = np.array([right[0] for _, right, _ in read_all])
        two = np.array([right[:2].max() for _, right, _ in read_all])
        top = np.array([probability[0] for probability, _, _ in read_all])
        doubtful = np.array([probability[0] < 3 * probability[1] for probability, _, _ in read_all])
        took = float(np.median([seconds for _, _, seconds in read_all]))
        print(
            f"{name}, key {'known' if with_key else 'unknown'}: first {100 * first.mean():.1f} %, "
            f"among two {100 * two.mean():.1f} %, ambiguous {100 * doubtful.mean():.0f} %, "
            f"calibration error {calibration(top, first):.3f} (n={first.size}); {1e3 * took:.1f} ms"
        )


def say_resampler() -> None:
    """Print errors in dB below a full-scale sine and times real time."""
    length_s = 30.0
    grid = np.arange(0.0, length_s + 0.02, 0.02)
    speed = SpeedMap(grid, 40 + 30 * np.sin(grid / 7) + 10 * np.sin(2 * np.pi * 1.3 * grid))
    at = np.arange(int(RATE * length_s)) / RATE
    print("\nresampler:", end="")
    fastest = 0.0
    for hz in (440, 1000, 5000, 10_000, 15_000):
        sound = np.sin(2 * np.pi * hz * at).astype(np.float32)
        began = time.process_time()
        made = correct_samples(sound, sample_rate_hz=RATE, speed_map=speed)
        fastest = max(fastest, length_s / (time.process_time() - began))
        wanted = np.sin(2 * np.pi * hz * speed.to_transfer_s(np.arange(made.size) / RATE))
        error = 10 * np.log10(np.mean((made - wanted)[200:-200] ** 2) / 0.5)
        print(f" {hz} Hz {error:.0f} dB", end="")
    print(f"; {fastest:.0f} x real time")


def main() -> None:
    """Make the suites and print their figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=int, default=200)
    parser.add_argument("--short", type=int, default=100)
    parser.add_argument("--sides", type=int, default=36)
    parser.add_argument("--covered", type=int, default=200)
    parser.add_argument("--first", type=int, default=90_000)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--kept", type=Path, default=None)
    asked = parser.parse_args()
    # one side of each suite first, with piano and a sudden change: compiling is not measuring
    line_scene(1)
    if asked.sides:
        sound_scene(22, None)
    pool = ProcessPoolExecutor(asked.processes)
    lines = list(pool.map(line_scene, range(asked.first, asked.first + asked.lines)))
    for instrument in ("violin", "cello"):
        say_curves(f"lines, {instrument}", [scene for scene in lines if scene.instrument == instrument])
    say_readings("lines of 60-200 s", lines)
    seeds = range(asked.first + 5000, asked.first + 5000 + asked.short)
    short = list(pool.map(partial(line_scene, length_s=60.0), seeds))
    say_readings("lines of 60 s", short)
    seeds = range(asked.first + 10_000, asked.first + 10_000 + asked.sides)
    sides = list(pool.map(partial(sound_scene, kept=asked.kept), seeds))
    say_curves("sound, solo", [scene for scene in sides if scene.piano_db is None])
    say_curves("sound, with piano", [scene for scene in sides if scene.piano_db is not None])
    for snr_db in (30.0, 20.0, 10.0):
        say_curves(f"sound, {snr_db:.0f} dB", [scene for scene in sides if scene.snr_db == snr_db])
    for band in ("acoustic", "electrical"):
        say_curves(f"sound, {band}", [scene for scene in sides if scene.band == band])
    say_readings("sound", sides)
    say_resampler()
    speed_changes.say(asked.lines, asked.sides, asked.first + 40_000, processes=asked.processes)
    speed_coverage.say(asked.covered, asked.first + 20_000, processes=asked.processes)
    if asked.folder:
        speed_real.say(asked.folder, processes=asked.processes)


if __name__ == "__main__":
    main()
