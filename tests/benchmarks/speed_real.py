"""Real playing read at its own speed, 1 and 2 % fast and 3 % slow: do the readings differ by just that?

What the recordings' speed was is known (they are of our time); what A4 was is not. So the differences test the
measurement, and the limits over all readings must hold the true correction. ``tests.benchmarks.speed --folder`` prints
the table.
"""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.signal.line.follow import follow
from pipeline.signal.speed.reference_pitch import assumed
from pipeline.signal.speed.session import SettledSide, settle_together
from pipeline.signal.tuning.coarse_path import wrap100
from pipeline.signal.tuning.measure import measure_side, side_row
from pipeline.steps.settle.facts import as_facts
from pipeline.steps.settle.sides import side_evidence
from pipeline.units import Z_95, cents_of_ratio
from tests.benchmarks import real_sound
from tests.benchmarks.speed_coverage import called_ambiguous

FACTORS = (1.0, 1.01, 1.02, 0.97)
RECORDED = 2020


@dataclass(frozen=True)
class Read:
    """One recording read at one speed: level modulo 100 cents, sudden changes, least that would show, and result."""

    sharp_cents: float
    changes: tuple[float, ...]
    least_cents: float | None
    found: SettledSide


def read(sound: real_sound.RealSound, factor: float) -> Read | None:
    """Measure and settle a recording as if its samples came faster by a factor."""
    rate = round(real_sound.RATE * factor)
    line = follow(sound.samples, sample_rate_hz=rate, instrument=sound.instrument)
    side = measure_side(
        sound.samples, sample_rate_hz=rate, time_s=line.time_s, f0_hz=line.f0_hz, confidence=line.confidence
    )
    if side.curve is None:
        return None
    known: dict[str, Any] = {
        "side": "side",
        "key": None,
        "key_share": 1.0,
        "open_strings": None,
        "references": as_facts(assumed(None, RECORDED)),
        "turntable_rpm": 3600 / 46,
        "already_corrected": "no",
        "process": None,
        "labels": [],
    }
    evidence = side_evidence("side", side_row(side), known, sound.instrument, 0.92)
    changes = tuple(jump.cents for jump in side.curve.jumps)
    return Read(side.curve.mean(), changes, side.curve.least_jump_cents, settle_together([evidence])["side"])


def _one(folder: Path, most_s: float, asked: tuple[int, float]) -> tuple[str, Read | None]:
    number, factor = asked
    sound = list(real_sound.movements(folder, most_s=most_s))[number]()
    return sound.name, read(sound, factor)


def say(folder: Path, *, most_s: float = 60.0, processes: int = 1) -> None:
    """Print a line for each recording and speed."""
    print("\nreal playing read at other speeds: level less what is right, limits given A4 and key, over all readings")
    worst, invented = 0.0, 0
    asked = [
        (number, factor) for number, _ in enumerate(real_sound.movements(folder, most_s=most_s)) for factor in FACTORS
    ]
    plain: dict[str, tuple[float, Read]] = {}
    with ProcessPoolExecutor(processes) as pool:
        for (_, factor), (name, made) in zip(asked, pool.map(partial(_one, folder, most_s), asked), strict=True):
            if made is None:
                print(f"  {name:40} {factor:.2f}  not measured")
                continue
            at, first_read = plain.setdefault(name, (factor, made))
            moved = float(cents_of_ratio(factor / at))
            apart = float(wrap100(np.array(made.sharp_cents - first_read.sharp_cents - moved)))
            worst, invented = max(worst, abs(apart)), invented + len(made.changes)
            first, true = made.found.readings[0], -float(cents_of_ratio(factor))
            held = made.found.low_cents <= true <= made.found.high_cents
            state = "ambiguous" if called_ambiguous(made.found) else "estimated"
            print(
                f"  {name:40} {factor:.2f}  {apart:+5.2f} cents; {state} {first.offset_cents:+7.1f} "
                f"± {Z_95 * first.offset_se:.1f} at {first.reference_pitch_hz:.1f} Hz; "
                f"{made.found.low_cents:+.0f} to {made.found.high_cents:+.0f}, right {true:+.1f}: "
                f"{'held' if held else 'MISSED'}; a change of {made.least_cents} cents would show",
                flush=True,
            )
    print(f"  greatest difference {worst:.2f} cents; sudden changes invented: {invented}")
