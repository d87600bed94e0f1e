"""This tracker beside the general ones a researcher would reach for, on the same rendered audio in one run.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.peers [--suites F H viola cello] [--length 30] [--offset 0]

Per scene and tracker: RPA50 and RPA10 (share of truly voiced frames within 50 and 10 cents by ``mir_eval``'s raw
pitch accuracy; a frame without pitch counts as wrong), RPA50 inside slides, median error in cents, and seconds of
sound per second of CPU, after a warm-up. Frames of double stops are left out. Peers run at fixed sensible settings
and for the range of the instrument. Of trackers that state a confidence, the expected calibration error per suite.
"""

import argparse
import time
from collections import defaultdict
from collections.abc import Callable
from typing import Any

import librosa
import mir_eval
import numpy as np
import numpy.typing as npt
import soxr

from pipeline.demonstration.compare import calibration_error
from pipeline.instruments import INSTRUMENTS
from pipeline.signal.line.follow import follow
from pipeline.signal.synth.plan import Truth
from tests.benchmarks.scenes import suite

Floats = npt.NDArray[np.float64]
# Times, pitches, and how sure the tracker is that the pitch is the solo's within 50 cents (None: it does not say).
Found = tuple[Floats, Floats, Floats | None]
Tracker = Callable[[npt.NDArray[np.float32], int, str], Found]


def _range_hz(instrument: str) -> tuple[float, float]:
    kind = INSTRUMENTS[instrument]
    low, high = (440.0 * 2 ** ((m - 69) / 12) for m in (kind.lowest_midi - 1, kind.highest_midi))
    return low, high


def ours(scoring: str) -> Tracker:
    """The tracker of this package."""

    def track(samples: npt.NDArray[np.float32], rate: int, instrument: str) -> Found:
        line = follow(samples, sample_rate_hz=rate, instrument=instrument, scoring=scoring)  # type: ignore[arg-type]
        return line.time_s, line.f0_hz, line.confidence

    return track


def pyin(samples: npt.NDArray[np.float32], rate: int, instrument: str) -> Found:
    """librosa.pyin at 22,050 Hz, hop 11.6 ms; a frame of 1024 (violin) or 2048 samples."""
    low, high = _range_hz(instrument)
    sound = soxr.resample(samples, rate, 22050)
    frame = 1024 if instrument == "violin" else 2048
    f0, voiced, _ = librosa.pyin(sound, fmin=low, fmax=high, sr=22050, frame_length=frame, hop_length=256)
    return librosa.times_like(f0, sr=22050, hop_length=256), np.where(voiced, f0, np.nan), None


def harvest(samples: npt.NDArray[np.float32], rate: int, instrument: str) -> Found:
    """pyworld.harvest at 22,050 Hz every 5 ms."""
    import pyworld

    low, high = _range_hz(instrument)
    sound = soxr.resample(samples, rate, 22050).astype(np.float64)
    f0, at = pyworld.harvest(sound, 22050, f0_floor=low, f0_ceil=high, frame_period=5.0)
    return at, np.where(f0 > 0, f0, np.nan), None


def swift(samples: npt.NDArray[np.float32], rate: int, instrument: str) -> Found:
    """swift-f0, a learned general tracker, in the instrument's range, every pitch taken whatever its confidence."""
    from swift_f0 import SwiftF0

    low, high = _range_hz(instrument)
    result = SwiftF0(threads=1, spin=False).detect(samples, rate, fmin=low, fmax=min(high, 2093.0))
    return result.timestamps, np.where(result.pitch_hz > 0, result.pitch_hz, np.nan), None


TRACKERS: dict[str, Tracker] = {
    "network": ours("network"),
    "comb": ours("comb"),
    "swift-f0": swift,
    "pyin": pyin,
    "harvest": harvest,
}


def accuracy(at: Floats, f0: Floats, truth: Truth) -> dict[str, float]:
    """RPA50, RPA10, RPA50 in slides (%) and median error (cents), on a grid of 5 ms."""
    grid = truth.transfer_time_s[::5]
    true, double = truth.f0_hz[::5], truth.double_stop[::5]
    nearest = np.clip(np.searchsorted(at, grid), 1, at.size - 1)
    nearest -= grid - at[nearest - 1] < at[nearest] - grid
    found = f0[nearest]
    # Between frames the pitch is interpolated where the line goes on, as a reader of it would.
    whole = np.isfinite(f0)
    if whole.sum() > 1:
        between = np.interp(grid, at[whole], np.log2(f0[whole]))
        smooth = np.abs(between - np.log2(np.where(np.isfinite(found), found, 1.0))) < 1 / 24
        found = np.where(np.isfinite(found) & smooth, np.exp2(between), found)
    sliding = np.zeros(grid.size, dtype=np.bool_)
    for slide in truth.slides:
        sliding |= (grid >= slide.transfer_start_s) & (grid <= slide.transfer_end_s)
    ok = np.isfinite(true) & ~double
    cents = 1200 * np.abs(np.log2(found[ok & np.isfinite(found)] / true[ok & np.isfinite(found)]))
    return {
        "RPA50": 100 * _raw_pitch_accuracy(true[ok], found[ok], 50),
        "RPA10": 100 * _raw_pitch_accuracy(true[ok], found[ok], 10),
        "slide50": 100 * _raw_pitch_accuracy(true[ok & sliding], found[ok & sliding], 50),
        "median": float(np.median(cents)) if cents.size else float("nan"),
    }


def sure_and_right(at: Floats, f0: Floats, confidence: Floats, truth: Truth) -> npt.NDArray[np.float64]:
    """Confidence and truth (n, 2) of every frame with a pitch: 1 where the solo sounds within 50 cents of it."""
    nearest = np.clip(np.rint(at * 1000).astype(np.int64), 0, truth.f0_hz.size - 1)
    used = np.isfinite(f0) & ~truth.double_stop[nearest]
    right = np.abs(np.log2(f0[used] / truth.f0_hz[nearest][used])) <= 50 / 1200
    return np.stack((confidence[used], right), axis=1)


def _raw_pitch_accuracy(true: Floats, found: Floats, tolerance_cents: float) -> float:
    if true.size == 0:
        return float("nan")
    estimate = np.where(np.isfinite(found), found, 0.0)
    return float(
        mir_eval.melody.raw_pitch_accuracy(
            np.ones(true.size),
            mir_eval.melody.hz2cents(true),
            (estimate > 0).astype(np.float64),
            mir_eval.melody.hz2cents(estimate),
            cent_tolerance=tolerance_cents,
        )
    )


def _group(name: str) -> str:
    """The summary line that a scene counts in."""
    suite_name = name.split()[0]
    return suite_name if suite_name == "H" else f"{suite_name} {'solo' if ' solo ' in name else 'piano'}"


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--suites", nargs="*", default=["F", "H", "viola", "cello"])
    parser.add_argument("--length", type=float, default=30.0)
    parser.add_argument("--offset", type=int, default=0)
    parser.add_argument("--only", nargs="*", default=list(TRACKERS))
    given = parser.parse_args()
    sums: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    sure: dict[tuple[str, str], list[Floats]] = defaultdict(list)
    warm: set[tuple[str, str]] = set()
    print(f"{'scene':44s} {'tracker':9s} RPA50  RPA10 slide50 median  x real time")
    for name in given.suites:
        for scene in suite(name, offset=given.offset, length_s=given.length):
            samples, truth = scene.render()
            for tracker in given.only:
                run = TRACKERS[tracker]
                if (tracker, scene.instrument) not in warm:
                    run(samples[: 2 * scene.sample_rate_hz], scene.sample_rate_hz, scene.instrument)
                    warm.add((tracker, scene.instrument))
                start = time.process_time()
                at, f0, confidence = run(samples, scene.sample_rate_hz, scene.instrument)
                cpu_s = time.process_time() - start
                row = accuracy(at, f0, truth) | {"speed": samples.size / scene.sample_rate_hz / max(cpu_s, 1e-9)}
                sums[_group(scene.name), tracker].append(row)
                if confidence is not None:
                    sure[scene.name.split()[0], tracker].append(sure_and_right(at, f0, confidence, truth))
                print(_line(scene.name, tracker, row), flush=True)
    print()
    for (group, tracker), rows in sums.items():
        mean = {key: float(np.nanmean([row[key] for row in rows])) for key in rows[0]}
        print(_line(f"mean of {len(rows)}: {group}", tracker, mean))
    for (name, tracker), parts in sure.items():
        error = calibration_error(*np.concatenate(parts).T)
        print(f"{name:6s} {tracker:9s} expected calibration error of confidence {error:.3f}")


def _line(name: str, tracker: str, row: dict[str, float]) -> str:
    return (
        f"{name:44s} {tracker:9s} {row['RPA50']:6.2f} {row['RPA10']:6.2f} {row['slide50']:6.2f} "
        f"{row['median']:6.2f} {row['speed']:8.1f}"
    )


if __name__ == "__main__":
    main()
