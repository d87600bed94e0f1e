"""Makes the weights of ``pipeline.signal.slides.stroke``.

Sides as in ``pipeline.training.slides``, of other seeds; what is learned is whether the new stroke of a slide that is
not slurred begins with the slide or after it. Writes ``stroke_line.json``, which is also the record.
"""

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.linear_model import LogisticRegression

from pipeline.kinds import STROKES
from pipeline.signal.line.follow import follow
from pipeline.signal.slides import stroke
from pipeline.signal.slides.detect import find_notes_and_slides
from pipeline.signal.slides.frames import Line, prepare
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.synth.plan import PlannedSlide, Truth
from pipeline.training.crew import Crew
from pipeline.training.scenes import REAL_SHARE, SAMPLE_RATE_HZ, training_side
from pipeline.training.slide_rows import MATCH_IOU, overlap
from pipeline.units import Floats

SEED = 101
LENGTH_S = 40.0
SIDES = {"violin": 120, "viola": 30, "cello": 60}
HELD_BACK = {"violin": 24, "viola": 8, "cello": 12}
HELD_BACK_FROM = 100_000

Row = tuple[Floats, str, str]


def true_stroke(truth: Truth, slide: PlannedSlide) -> str:
    """Whose stroke carries a planned slide."""
    note = truth.plan.notes[slide.to_note]
    if slide.from_note is None:
        return "after"
    if note.slurred:
        return "both"
    bow_s = note.start_s if note.bow_s is None else note.bow_s
    return "after" if bow_s < 0.5 * (slide.start_s + slide.end_s) else "before"


def rows_of_side(line: Line, truth: Truth) -> list[Row]:
    """Signs of each slide found in its place, the stroke that truly carries it, and the stroke named."""
    speed_map = SpeedMap(truth.transfer_time_s[::10], truth.correction_cents[::10])
    pitch = truth.plan.reference_pitch_hz
    frames = prepare(line, speed_map=speed_map, reference_pitch_hz=pitch, spans=None)
    rows = []
    for found in find_notes_and_slides(line, speed_map=speed_map, reference_pitch_hz=pitch, spans=None).slides:
        if found.from_note is None:
            continue
        for true in truth.slides:
            bounds = (true.transfer_start_s, true.transfer_end_s)
            if overlap((found.transfer_start_s, found.transfer_end_s), bounds) > MATCH_IOU:
                start, end = (frames.frame_at(t) for t in (found.transfer_start_s, found.transfer_end_s))
                rows.append(
                    (stroke.signs(frames, start=start, end=end), true_stroke(truth, true.planned), found.stroke)
                )
    return rows


@dataclass(frozen=True)
class Job:
    """One side, by its seed."""

    instrument: str
    seed: int


def rows_for(job: Job) -> list[Row]:
    """Rows of one side."""
    rng = np.random.default_rng([SEED, list(SIDES).index(job.instrument), job.seed])
    samples, truth = training_side(rng, instrument=job.instrument, length_s=LENGTH_S)
    line = follow(samples, sample_rate_hz=SAMPLE_RATE_HZ, instrument=job.instrument, scoring="network")
    return rows_of_side(line, truth)


def gathered(crew: Crew, sides: dict[str, int], *, first: int) -> list[Row]:
    """Rows of random sides."""
    jobs = [Job(name, seed) for name, count in sides.items() for seed in range(first, first + count)]
    return [row for rows in crew.over(rows_for, jobs) for row in rows]


def line_of(rows: list[Row]) -> npt.NDArray[np.float64]:
    """Offset and weights of the log odds that the new stroke begins with the slide; both places equally likely."""
    rebowed = [(signs, true == "after") for signs, true, _ in rows if true != "both"]
    values, after = np.array([signs for signs, _ in rebowed]), np.array([new for _, new in rebowed])
    line = LogisticRegression(class_weight="balanced").fit(values, after)
    return np.array([float(line.intercept_[0]), *line.coef_[0]])


def figures(rows: list[Row]) -> dict[str, Any]:
    """How the strokes named do on sides not learned from."""
    counts: dict[str, dict[str, int]] = {name: {} for name in STROKES}
    for _, true, said in rows:
        counts[true][said] = counts[true].get(said, 0) + 1
    told = [(true, said) for _, true, said in rows if said != "cannot_tell"]
    return {
        "slides": len(rows),
        "told": round(len(told) / len(rows), 4),
        "right_of_told": round(float(np.mean([true == said for true, said in told])), 4),
        "named": counts,
    }


def learn(crew: Crew, *, scale: float) -> None:
    """Learn, test on sides of other seeds, write the weights with their record; ``scale`` multiplies their numbers."""
    sides = {name: max(3, round(count * scale)) for name, count in SIDES.items()}
    held_back = {name: max(2, round(count * min(scale, 1.0))) for name, count in HELD_BACK.items()}
    rows = gathered(crew, sides, first=0)
    record = {
        "made_by": "python -m pipeline.training",
        "seed": SEED,
        "length_s": LENGTH_S,
        "sides": sides,
        "sides_like_real_ones": REAL_SHARE,
        "slides": len(rows),
        "signs": list(stroke.NAMES),
        "line": [round(float(x), 5) for x in line_of(rows)],
    }
    stroke.WEIGHTS.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    stroke.forget_weights()
    tested = gathered(crew, held_back, first=HELD_BACK_FROM)
    record["held_back"] = {"sides": held_back, **figures(tested)}
    stroke.WEIGHTS.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(record["held_back"]), flush=True)
