"""Slides planted in rendered sides against the slides that were there: are both found equally often?

    OMP_NUM_THREADS=1 python -m tests.benchmarks.recovery [--sides 20] [--noise 20 5] [--first 0] [--workers 1]

Plantings are drawn as the renders' own slides are (60 to 400 ms, falling by up to 6 dB, of 2.5 semitones and more, for
few of the renders' are smaller), so that both recalls are of the same kind of slide. Printed for each noise and length:
plantings, share found, slides there, share found, the difference and its standard error by the binomial law (sides
differ, so the true error is somewhat larger).
"""

import argparse
from collections import defaultdict
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from multiprocessing import get_context
from typing import Any

import numpy as np

from pipeline.signal.line.follow import follow
from pipeline.signal.recovery import search
from pipeline.signal.slides.detect import Detection, find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from tests.benchmarks.scenes import Scene
from tests.benchmarks.scoring import in_range, score_slides

LENGTHS_MS = (60.0, 100.0, 160.0, 400.0)
LEAST_SEMITONES = 2.5


def one(scene: Scene) -> tuple[list[tuple[float, bool]], list[tuple[float, bool]]]:
    """Length in ms and whether it was found, of each planted slide and of each slide that was there."""
    samples, truth = scene.render()
    speed_map = SpeedMap(truth.transfer_time_s[::10], truth.correction_cents[::10])

    def look(sound: Any) -> Detection:
        line = follow(sound, sample_rate_hz=scene.sample_rate_hz, instrument=scene.instrument)
        return find_notes_and_slides(line, speed_map=speed_map, reference_pitch_hz=440.0, spans=None)

    line = follow(samples, sample_rate_hz=scene.sample_rate_hz, instrument=scene.instrument)
    detection = find_notes_and_slides(line, speed_map=speed_map, reference_pitch_hz=440.0, spans=None)
    planted = search.recover(
        samples,
        sample_rate_hz=float(scene.sample_rate_hz),
        line=line,
        detection=detection,
        plantings=20,
        rng=np.random.default_rng(scene.seed),
        look=look,
    )
    # Outside the renders' lengths nothing is asked; double stops and notes out of silence are left out by the scorer.
    missed = {
        id(slide)
        for slide in score_slides(detection.slides, truth, wanted=in_range(shortest_s=0.0, longest_s=1.0)).missed
    }
    alone = [
        slide
        for slide in truth.slides
        if abs(slide.planned.to_midi - slide.planned.from_midi) >= LEAST_SEMITONES
        and score_slides(
            [], truth, wanted=lambda other, own=slide: other is own and own.planned.kind != "into_note"
        ).true
    ]
    return (
        [(1000.0 * (p.slide.end_s - p.slide.start_s), p.found is not None) for p in planted],
        [(1000.0 * (s.planned.end_s - s.planned.start_s), id(s) not in missed) for s in alone],
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sides", type=int, default=20)
    parser.add_argument("--noise", type=float, nargs="*", default=[20.0, 5.0])
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1, help="processes at work at one time")
    given = parser.parse_args()
    seeds = range(90_000 + given.first, 90_000 + given.first + given.sides)
    with ProcessPoolExecutor(given.workers, mp_context=get_context("spawn"), initializer=as_rendered) as crew:
        for snr in given.noise:
            report(snr, crew.map(one, [Scene("", seed=seed, snr_db=snr) for seed in seeds]))


def as_rendered() -> None:
    """Plant slides of such lengths and sizes as the renders hold."""
    search.DEEPEST_DB, search.SHORTEST_S, search.SMALLEST = 6.0, 0.06, LEAST_SEMITONES


def report(snr: float, sides: Iterable[tuple[list[tuple[float, bool]], list[tuple[float, bool]]]]) -> None:
    """Print what share was found of slides of each length, planted and there."""
    cells: dict[tuple[int, int], list[bool]] = defaultdict(list)
    for side in sides:
        for which, found in enumerate(side):
            for ms, heard in found:
                cells[int(np.searchsorted(LENGTHS_MS, ms, side="right")), which].append(heard)
    for k, (low, high) in enumerate(pairwise(LENGTHS_MS), start=1):
        planted, there = np.array(cells[k, 0], dtype=float), np.array(cells[k, 1], dtype=float)
        if planted.size and there.size:
            gap = planted.mean() - there.mean()
            error = np.sqrt(sum(x.mean() * (1.0 - x.mean()) / x.size for x in (planted, there)))
            print(
                f"{snr:g} dB {low:g}-{high:g} ms: planted {planted.size} {planted.mean():.3f}  "
                f"there {there.size} {there.mean():.3f}  difference {gap:+.3f} ± {error:.3f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
