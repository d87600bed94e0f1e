"""Makes the weights of ``pipeline.signal.slides.bowing``.

Sides as in ``pipeline.training.slides``, of other seeds; what is learned is which notes of the plan begin with a new
stroke. Writes ``bow_trees.npz`` and its record ``bow_trees.json``.
"""

import json
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.learned_from import names_array
from pipeline.signal.line.follow import follow
from pipeline.signal.slides import bowing, detect
from pipeline.signal.slides.detect import find_notes_and_slides
from pipeline.signal.slides.frames import Line, prepare
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.synth.plan import Truth
from pipeline.training.crew import Crew
from pipeline.training.scenes import REAL_SHARE, SAMPLE_RATE_HZ, training_side
from pipeline.training.slide_trees import grow_bowing
from pipeline.units import Floats

SEED = 89
LENGTH_S = 40.0
SIDES = {"violin": 200, "viola": 50, "cello": 100}
HELD_BACK = {"violin": 24, "viola": 12, "cello": 16}
HELD_BACK_FROM = 100_000
MATCH_S = 0.06


def rows_of_side(line: Line, truth: Truth) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Signs at the beginning of each note that was found in its place, and whether a new stroke begins it."""
    speed_map = SpeedMap(truth.transfer_time_s[::10], truth.correction_cents[::10])
    pitch = truth.plan.reference_pitch_hz
    found = find_notes_and_slides(line, speed_map=speed_map, reference_pitch_hz=pitch, spans=None)
    frames = prepare(line, speed_map=speed_map, reference_pitch_hz=pitch, spans=None)
    starts = np.array([note.start_s for note in found.notes])
    signs = detect.signs_of_notes(frames, found.notes, found.slides)
    rows, rebowed = [], []
    for i, note in enumerate(truth.plan.notes):
        before = truth.plan.notes[i - 1]
        slid = any(slide.to_note == i for slide in truth.plan.slides)
        if i == 0 or starts.size == 0 or (not slid and note.start_s - before.end_s > 1e-6):
            continue
        k = int(np.argmin(np.abs(starts - note.start_s)))
        if k and abs(starts[k] - note.start_s) < MATCH_S and abs(found.notes[k].midi - note.midi) < 0.5:
            rows.append(signs[k])
            rebowed.append(not note.slurred)
    return np.array(rows).reshape(-1, len(bowing.NAMES)), np.array(rebowed, dtype=bool)


@dataclass(frozen=True)
class Job:
    """One side, by its seed."""

    instrument: str
    seed: int


def rows_for(job: Job) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Rows of one side, and what they are."""
    rng = np.random.default_rng([SEED, list(SIDES).index(job.instrument), job.seed])
    samples, truth = training_side(rng, instrument=job.instrument, length_s=LENGTH_S)
    line = follow(samples, sample_rate_hz=SAMPLE_RATE_HZ, instrument=job.instrument, scoring="network")
    return rows_of_side(line, truth)


def gathered(
    crew: Crew, sides: dict[str, int], *, first: int
) -> tuple[Floats, npt.NDArray[np.bool_], npt.NDArray[np.int64]]:
    """Rows of random sides, what they are, and the side that each comes from."""
    jobs = [Job(name, seed) for name, count in sides.items() for seed in range(first, first + count)]
    parts = list(crew.over(rows_for, jobs))
    rows, answers = (np.concatenate(part) for part in zip(*parts, strict=True))
    return rows, answers, np.repeat(np.arange(len(parts)), [answer.size for _, answer in parts])


def learn(crew: Crew, *, scale: float) -> None:
    """Learn, test on sides of other seeds, write weights and record; ``scale`` multiplies the numbers of sides."""
    sides = {name: max(3, round(count * scale)) for name, count in SIDES.items()}
    values, rebowed, side = gathered(crew, sides, first=0)
    arrays = grow_bowing(values, rebowed, side, seed=SEED)
    np.savez_compressed(bowing.WEIGHTS, **arrays, names=names_array(bowing.NAMES))  # type: ignore[arg-type]
    bowing.forget_weights()
    held_back = {name: max(2, round(count * min(scale, 1.0))) for name, count in HELD_BACK.items()}
    tested, answers, _ = gathered(crew, held_back, first=HELD_BACK_FROM)
    probability = bowing.rebowed_probability(tested)
    sure = (probability <= 0.3) | (probability >= 0.7)
    at = np.minimum((probability * 10).astype(int), 9)
    gaps = [abs(probability[at == b].mean() - answers[at == b].mean()) * (at == b).mean() for b in np.unique(at)]
    record = {
        "made_by": "python -m pipeline.training",
        "seed": SEED,
        "length_s": LENGTH_S,
        "sides": sides,
        "sides_like_real_ones": REAL_SHARE,
        "notes": int(rebowed.size),
        "rebowed": int(rebowed.sum()),
        "signs": list(bowing.NAMES),
        "held_back": {
            "sides": held_back,
            "notes": int(answers.size),
            "told": round(float(sure.mean()), 4),
            "right_of_told": round(float(((probability > 0.5) == answers)[sure].mean()), 4),
            "calibration_error": round(float(sum(gaps)), 4),
        },
    }
    text = json.dumps(record, indent=1) + "\n"
    bowing.WEIGHTS.with_suffix(".json").write_text(text, encoding="utf-8")
    print(json.dumps(record["held_back"]), flush=True)
