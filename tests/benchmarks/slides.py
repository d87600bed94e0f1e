"""Slides found on rendered sides: this detector beside a plain one, on the same audio in one run.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.slides [--suites F H viola cello] [--length 60] [--offset 0]

The suite ``scoops`` holds no slide; two notes in five begin 60 to 120 cents low. Per suite and detector: precision,
recall, F1, false slides a minute (and what they were) and per 100 changes of note, recall by duration, size and kind,
share of kinds named right, median errors of audible bounds, interval and break, calibration error, and sound per CPU
second of notes and slides alone. The trees were grown on ``pipeline.training`` sides, other seeds and voices.
"""

import argparse
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.demonstration.compare import calibration_error
from pipeline.signal.line.follow import follow
from pipeline.signal.slides.detect import CHANCE_GAP_S, find_notes_and_slides
from pipeline.signal.slides.learned import LEAST_CONFIDENCE
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.synth.plan import TrueSlide, Truth
from tests.benchmarks.peers import swift
from tests.benchmarks.plain_slides import plain_slides
from tests.benchmarks.scenes import Scene, suite
from tests.benchmarks.scoring import SlideScore, score_slides


@dataclass
class Tally:
    """What adds up over the sides of one suite and detector."""

    score: SlideScore = field(default_factory=SlideScore)
    recall: dict[str, list[int]] = field(default_factory=lambda: defaultdict(lambda: [0, 0]))
    kinds: dict[str, list[int]] = field(default_factory=lambda: defaultdict(lambda: [0, 0]))
    false: Counter[str] = field(default_factory=Counter)
    breaks: list[float] = field(default_factory=list)
    judged: list[tuple[float, bool]] = field(default_factory=list)
    audio_s: float = 0.0
    cpu_s: float = 0.0
    changes: int = 0


def ours(line: Any, truth: Truth, acceptance: str) -> Sequence[Any]:
    """All slides of this detector, also the unlikely ones; the speed is taken as known."""
    speed_map = SpeedMap(truth.transfer_time_s[::10], truth.correction_cents[::10])
    return find_notes_and_slides(
        line,
        speed_map=speed_map,
        reference_pitch_hz=truth.plan.reference_pitch_hz,
        spans=None,
        acceptance=acceptance,  # type: ignore[arg-type]
        least_confidence=0.05 if acceptance == "learned" else 0.5,
    ).slides


def detectors(scene: Scene, samples: Any, truth: Truth, only: list[str]) -> dict[str, Callable[[], Sequence[Any]]]:
    """The detectors of one side; pitch lines are made here, outside the timing."""
    made: dict[str, Callable[[], Sequence[Any]]] = {}
    if "learned" in only or "rules" in only:
        line = follow(samples, sample_rate_hz=scene.sample_rate_hz, instrument=scene.instrument, scoring="network")
        for name in ("learned", "rules"):
            if name in only:
                made[name] = lambda name=name: ours(line, truth, name)
    if "plain on swift-f0" in only:
        at, f0, _ = swift(samples, scene.sample_rate_hz, scene.instrument)
        made["plain on swift-f0"] = lambda: plain_slides(at, f0)
    if "plain on perfect pitch" in only:
        made["plain on perfect pitch"] = lambda: plain_slides(truth.transfer_time_s[::5], truth.f0_hz[::5])
    return made


def tell(tally: Tally, found: Sequence[Any], truth: Truth) -> None:
    """Adds one side."""
    sure = [s for s in found if not s.confidence < LEAST_CONFIDENCE]
    score = score_slides(sure, truth)
    missed = {id(slide) for slide in score.missed}
    tally.score += score
    everything = score_slides(found, truth)
    wrong = {id(slide) for slide in everything.false}
    tally.judged += [(s.confidence, id(s) not in wrong) for s in found if np.isfinite(s.confidence)]
    for slide in truth.slides:
        if _demanded(slide, truth):
            for name in _groups(slide):
                tally.recall[name][0] += id(slide) not in missed
                tally.recall[name][1] += 1
    for true, named in score.kinds:
        tally.kinds[true][0] += true == named
        tally.kinds[true][1] += 1
    for slide in score.false:
        tally.false[_excuse(slide, truth)] += 1
    tally.changes += _changes(truth)
    tally.breaks += _break_errors(sure, truth)


def _demanded(slide: TrueSlide, truth: Truth) -> bool:
    alone = score_slides([], Truth(**{**vars(truth), "slides": (slide,)}))
    return alone.true == 1


def _groups(slide: TrueSlide) -> list[str]:
    plan = slide.planned
    ms = 1000.0 * (plan.end_s - plan.start_s)
    length = "<80 ms" if ms < 80 else "80-120" if ms < 120 else "120-200" if ms < 200 else "200+"
    size = "1 semitone" if abs(plan.to_midi - plan.from_midi) < 1.5 else "2+ semitones"
    return [length, size, plan.kind]


def _changes(truth: Truth) -> int:
    """Planned changes of pitch between joined notes, slid or not."""
    notes, slid = truth.plan.notes, {slide.to_note for slide in truth.plan.slides}
    return sum(
        b.midi != a.midi and (i + 1 in slid or b.start_s - a.end_s < CHANCE_GAP_S)
        for i, (a, b) in enumerate(pairwise(notes))
    )


def _excuse(slide: Any, truth: Truth) -> str:
    middle = np.interp(
        0.5 * (slide.transfer_audible_start_s + slide.transfer_audible_end_s),
        truth.transfer_time_s,
        truth.true_time_s,
    )
    for negative in truth.plan.negatives:
        if negative.start_s - 0.03 < middle < negative.end_s + 0.03:
            return negative.kind
    near = [s for s in truth.plan.slides if s.start_s - 0.1 < middle < s.end_s + 0.1]
    return "near a slide" if near else "elsewhere"


def _break_errors(found: Sequence[Any], truth: Truth) -> list[float]:
    errors = []
    for true in truth.slides:
        plan = true.planned
        for slide in found:
            shared = min(true.transfer_audible_end_s, slide.transfer_audible_end_s) - max(
                true.transfer_audible_start_s, slide.transfer_audible_start_s
            )
            if shared > 0 and slide.kind == plan.kind and plan.step_from_midi is not None:
                errors.append(100.0 * abs(slide.step_from_midi - plan.step_from_midi))
                errors.append(100.0 * abs(slide.step_to_midi - plan.step_to_midi))
    return errors


def show(name: str, tally: Tally) -> None:
    """Prints one block."""
    row = tally.score.row()
    error = calibration_error([sure for sure, _ in tally.judged], [right for _, right in tally.judged])
    kinds = [tally.kinds[k] for k in tally.kinds if k != "into_note"]
    right = sum(k[0] for k in kinds) / max(sum(k[1] for k in kinds), 1)
    broken = float(np.median(tally.breaks)) if tally.breaks else float("nan")
    print(
        f"{name}: {row['true']:.0f} slides  P {row['precision']:.3f}  R {row['recall']:.3f}  F1 {row['f1']:.3f}",
        f"    false/min {row['false_per_min']:.2f} {dict(tally.false)}",
        "    recall " + "  ".join(f"{k} {a}/{n}" for k, (a, n) in sorted(tally.recall.items())),
        f"    kinds {right:.3f}  " + "  ".join(f"{k} {a}/{n}" for k, (a, n) in sorted(tally.kinds.items())),
        f"    onset {row['onset_ms']:.1f} ms  offset {row['offset_ms']:.1f} ms  "
        f"interval {row['interval_cents']:.1f} cents  break {broken:.0f} cents",
        f"    false per 100 changes {100.0 * sum(tally.false.values()) / max(tally.changes, 1):.2f}",
        f"    calibration error {error:.3f}  x real time {tally.audio_s / tally.cpu_s:.0f}",
        sep="\n",
        flush=True,
    )


def main() -> None:
    """Run and print."""
    names = ["learned", "rules", "plain on swift-f0", "plain on perfect pitch"]
    parser = argparse.ArgumentParser()
    parser.add_argument("--suites", nargs="*", default=["F", "H", "viola", "cello"])
    parser.add_argument("--length", type=float, default=60.0)
    parser.add_argument("--offset", type=int, default=0)
    parser.add_argument("--only", nargs="*", default=names)
    given = parser.parse_args()
    for name in given.suites:
        tallies: dict[tuple[str, str], Tally] = defaultdict(Tally)
        for scene in suite(name, offset=given.offset, length_s=given.length):
            samples, truth = scene.render()
            part = "solo" if scene.piano_below_db is None else "piano"
            for detector, run in detectors(scene, samples, truth, given.only).items():
                if not tallies[detector, "all"].audio_s:
                    run()
                began = time.process_time()
                found = run()
                spent = time.process_time() - began
                for key in (
                    (detector, "all"),
                    (detector, part),
                    (detector, "sampled" if scene.sampled else "additive"),
                ):
                    tally = tallies[key]
                    tell(tally, found, truth)
                    tally.cpu_s += spent
                    tally.audio_s += scene.length_s
        for (detector, part), tally in sorted(tallies.items()):
            show(f"{name} {detector}, {part}", tally)


if __name__ == "__main__":
    main()
