"""Makes the weights of ``pipeline.signal.slides.stroke``: run ``python -m pipeline.training.stroke``.

Sides as in ``pipeline.training.slides``, of other seeds; what is learned is whether the new stroke of a slide that is
not slurred begins with the slide or after it. Writes ``stroke_line.json``, which is also the record.
"""

import json
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.linear_model import LogisticRegression

from pipeline.signal.line.follow import follow
from pipeline.signal.slides import stroke
from pipeline.signal.slides.detect import find_notes_and_slides
from pipeline.signal.slides.frames import Line, prepare
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.synth.plan import PlannedSlide, Truth
from pipeline.training.scenes import SAMPLE_RATE_HZ, training_side
from pipeline.training.slide_rows import MATCH_IOU, overlap
from pipeline.units import Floats

SEED = 83
LENGTH_S = 40.0
SIDES = {"violin": 60, "viola": 15, "cello": 25}
HELD_BACK = {"violin": 16, "viola": 5, "cello": 7}


def true_stroke(truth: Truth, slide: PlannedSlide) -> str:
    """Whose stroke carries a planned slide."""
    note = truth.plan.notes[slide.to_note]
    if slide.from_note is None:
        return "after"
    if note.slurred:
        return "both"
    bow_s = note.start_s if note.bow_s is None else note.bow_s
    return "after" if bow_s < 0.5 * (slide.start_s + slide.end_s) else "before"


def rows_of_side(line: Line, truth: Truth) -> list[tuple[Floats, str, str]]:
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


def rows_of(sides: dict[str, int], *, first: int) -> list[tuple[Floats, str, str]]:
    """Rows of random sides."""
    rows = []
    for k, (instrument, count) in enumerate(sides.items()):
        for seed in range(first, first + count):
            rng = np.random.default_rng([SEED, k, seed])
            samples, truth = training_side(rng, instrument=instrument, length_s=LENGTH_S)
            line = follow(samples, sample_rate_hz=SAMPLE_RATE_HZ, instrument=instrument, scoring="network")
            rows += rows_of_side(line, truth)
    return rows


def learn(rows: list[tuple[Floats, str, str]]) -> npt.NDArray[np.float64]:
    """Offset and weights of the log odds that the new stroke begins with the slide; both places equally likely."""
    rebowed = [(signs, true == "after") for signs, true, _ in rows if true != "both"]
    values, after = np.array([signs for signs, _ in rebowed]), np.array([new for _, new in rebowed])
    line = LogisticRegression(class_weight="balanced").fit(values, after)
    return np.array([float(line.intercept_[0]), *line.coef_[0]])


def figures(rows: list[tuple[Floats, str, str]]) -> dict[str, Any]:
    """How the strokes named do on sides not learned from."""
    counts: dict[str, dict[str, int]] = {name: {} for name in stroke.STROKES}
    for _, true, said in rows:
        counts[true][said] = counts[true].get(said, 0) + 1
    told = [(true, said) for _, true, said in rows if said != "cannot_tell"]
    return {
        "slides": len(rows),
        "told": round(len(told) / len(rows), 4),
        "right_of_told": round(float(np.mean([true == said for true, said in told])), 4),
        "named": counts,
    }


def main() -> None:
    """Learn, test on sides of other seeds, write the weights with their record."""
    rows = rows_of(SIDES, first=0)
    record = {
        "made_by": "python -m pipeline.training.stroke",
        "seed": SEED,
        "length_s": LENGTH_S,
        "sides": SIDES,
        "slides": len(rows),
        "signs": list(stroke.NAMES),
        "line": [round(float(x), 5) for x in learn(rows)],
    }
    stroke.WEIGHTS.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    stroke.forget_weights()
    record["held_back"] = {"sides": HELD_BACK, **figures(rows_of(HELD_BACK, first=500))}
    text = json.dumps(record, indent=1) + "\n"
    stroke.WEIGHTS.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
