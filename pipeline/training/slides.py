"""Makes the weights of ``pipeline.signal.slides.learned``.

Renders sides of our own additive voices from fixed seeds, follows them with the line in use, collects every candidate
with its features, grows the trees, and writes ``slide_trees.npz`` with ``slide_trees.json``, the record of what was
learned from and how it did on sides of other seeds.
"""

import json
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.kinds import NAMED_KINDS, Kind, likeliest_named
from pipeline.learned_from import names_array
from pipeline.signal.line.follow import follow
from pipeline.signal.slides import learned
from pipeline.signal.slides.features import NAMES
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.training.crew import Crew
from pipeline.training.scenes import REAL_SHARE, SAMPLE_RATE_HZ, training_side
from pipeline.training.slide_rows import Rows, rows_of_side
from pipeline.training.slide_trees import SHARE, grow

# The first number of a side's seed: plain sides, and sides played, recorded and copied as real ones are.
SEEDS = {False: 90, True: 97}
GROWN_FROM = 83
LENGTH_S = 40.0
# Half of the sides have a piano as loud as the solo or louder; half, by another draw, a hand that shifts often.
SHARES = {"loud_share": 0.4, "shifting_share": 0.5}
# Sides with slides of all kinds as usual, and more of them with many slides by two fingers. On twice the 1,150 sides of
# a first trial, with larger forests, a tenth of the errors on sides like real ones went, and none came on plain ones.
SIDES = {"violin": 960, "viola": 240, "cello": 720}
MORE_SIDES = {"violin": 800, "viola": 160, "cello": 560}
MORE_FROM = 10_000
MORE_KINDS: dict[str, float] = {
    Kind.SAME_FINGER: 0.4,
    Kind.DEPARTING_FINGER: 0.16,
    Kind.ARRIVING_FINGER: 0.16,
    Kind.TWO_FINGER: 0.22,
    Kind.INTO_NOTE: 0.06,
}
# One side in so many is judged without the second look between its notes, as lines from elsewhere are.
UNLOOKED_OF = 12
HELD_BACK = {"violin": 24, "viola": 12, "cello": 24}
HELD_BACK_FROM = 100_000


@dataclass(frozen=True)
class Job:
    """One side: its seed, whether it is like a real one, and whether it has more slides by two fingers."""

    instrument: str
    seed: int
    real: bool
    more: bool = False


def rows_for(job: Job) -> Rows:
    """Rows of one side."""
    rng = np.random.default_rng([SEEDS[job.real], list(SIDES).index(job.instrument), job.seed])
    shares = SHARES if job.seed < HELD_BACK_FROM else {}
    samples, truth = training_side(
        rng,
        instrument=job.instrument,
        length_s=LENGTH_S,
        kind_shares=MORE_KINDS if job.more else None,
        real_share=float(job.real),
        **shares,
    )
    line = follow(samples, sample_rate_hz=SAMPLE_RATE_HZ, instrument=job.instrument, scoring="network")
    if job.seed % UNLOOKED_OF == 0:
        line = replace(line, gliding=np.full_like(line.gliding, np.nan))
    speed_map = SpeedMap(truth.transfer_time_s[::10], truth.correction_cents[::10])
    return rows_of_side(line, truth, speed_map=speed_map, reference_pitch_hz=truth.plan.reference_pitch_hz)


def jobs_of(real: bool, *, scale: float) -> list[Job]:
    """The sides to learn from that are plain or like real ones, in the shares that training sides have by chance."""
    share = scale * (REAL_SHARE if real else 1.0 - REAL_SHARE)
    jobs = [Job(name, seed, real) for name, count in SIDES.items() for seed in range(max(3, round(count * share)))]
    return jobs + [
        Job(name, seed, real, more=True)
        for name, count in MORE_SIDES.items()
        for seed in range(MORE_FROM, MORE_FROM + round(count * share))
    ]


def gathered(crew: Crew, jobs: list[Job]) -> tuple[Rows, npt.NDArray[np.int64]]:
    """Rows of many sides, and the number of the side that each comes from."""
    parts = list(crew.over(rows_for, jobs))
    values = np.concatenate([part.values.reshape(-1, len(NAMES)) for part in parts])
    kind = np.concatenate([part.kind for part in parts])
    return Rows(values, kind), np.repeat(np.arange(len(parts)), [part.kind.size for part in parts])


def figures(rows: Rows) -> dict[str, Any]:
    """How the weights in use do on rows not learned from, weighted to the share of slides that they are stated for."""
    judged = learned.judge(rows.values)
    confidence = np.array([j.confidence for j in judged])
    kinds = np.array([likeliest_named(j.kinds).place for j in judged])
    held, taken = rows.kind >= 0, confidence >= learned.LEAST_CONFIDENCE
    weight = np.where(held, SHARE / held.mean(), (1.0 - SHARE) / (1.0 - held.mean()))
    bins = np.minimum((confidence * 10).astype(int), 9)
    gaps = [
        abs(float(np.average(confidence[bins == b] - held[bins == b], weights=weight[bins == b])))
        * float(weight[bins == b].sum() / weight.sum())
        for b in np.unique(bins)
    ]
    return {
        "candidates": int(held.size),
        "slides": int(held.sum()),
        "precision": round(float(np.average(held[taken], weights=weight[taken])), 4) if taken.any() else None,
        "recall_of_candidates": round(float(taken[held].mean()), 4),
        "calibration_error": round(sum(gaps), 4),
        "kind_right": {
            name: round(float((kinds[rows.kind == k] == k).mean()), 4)
            for k, name in enumerate(NAMED_KINDS)
            if (rows.kind == k).any()
        },
    }


def learn(crew: Crew, *, scale: float) -> None:
    """Learn from the sides of ``SIDES``, test on those of ``HELD_BACK``, write weights and record.

    ``scale`` multiplies the numbers of sides.
    """
    jobs = [job for real in (False, True) for job in jobs_of(real, scale=scale)]
    rows, side = gathered(crew, jobs)
    print(f"slides: {rows.kind.size} candidates of {len(jobs)} sides", flush=True)
    arrays = grow(rows.values, rows.kind, side, seed=GROWN_FROM)
    np.savez_compressed(learned.WEIGHTS, **arrays, names=names_array(NAMES))  # type: ignore[arg-type]
    learned.forget_weights()
    held_back: dict[str, Any] = {}
    for kind, real in (("plain", False), ("like_real_ones", True)):
        for name, count in HELD_BACK.items():
            count = max(2, round(count * min(scale, 1.0)))
            seeds = range(HELD_BACK_FROM, HELD_BACK_FROM + count)
            tested, _ = gathered(crew, [Job(name, seed, real) for seed in seeds])
            held_back.setdefault(kind, {})[name] = {"sides": count, **figures(tested)}
    record = {
        "made_by": "python -m pipeline.training",
        "seeds": list(SEEDS.values()),
        "length_s": LENGTH_S,
        "sides": SIDES,
        "more_sides": MORE_SIDES,
        "scale": scale,
        "sides_like_real_ones": REAL_SHARE,
        "kinds_of_more_sides": MORE_KINDS,
        **SHARES,
        "candidates": int(rows.kind.size),
        "share_of_slides_stated_for": SHARE,
        "slides": int((rows.kind >= 0).sum()),
        "features": list(NAMES),
        "held_back": held_back,
    }
    text = json.dumps(record, indent=1) + "\n"
    learned.WEIGHTS.with_suffix(".json").write_text(text, encoding="utf-8")
    print(json.dumps(held_back), flush=True)
