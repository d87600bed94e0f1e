"""Makes the weights of ``pipeline.signal.slides.learned``: run ``python -m pipeline.training.slides``.

Renders sides of our own additive voices from fixed seeds, tracks them with the tracker in use, collects every
candidate with its features, grows the trees, and writes ``slide_trees.npz`` with ``slide_trees.json``, the
record of what was learned from and how it did on sides of other seeds. Twenty minutes on one core.
"""

import json
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.signal.line.follow import follow
from pipeline.signal.slides import learned
from pipeline.signal.slides.features import NAMES
from pipeline.signal.slides.kinds import KINDS
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.training.scenes import SAMPLE_RATE_HZ, training_side
from pipeline.training.slide_rows import Rows, rows_of_side
from pipeline.training.slide_trees import SHARE, grow

SEED = 73
FIRST_SEED = 1000
LENGTH_S = 40.0
# Half of the sides have a piano as loud as the solo or louder; half, by another draw, a hand that shifts often.
SHARES = {"loud_share": 0.5, "shifting_share": 0.5}
# Sides with slides of all kinds as usual, and more of them with many slides by two fingers.
SIDES = {"violin": 480, "viola": 150, "cello": 300}
MORE_SIDES = {"violin": 520, "viola": 150, "cello": 200}
MORE_KINDS = {
    "same_finger": 0.4,
    "departing_finger": 0.16,
    "arriving_finger": 0.16,
    "two_finger": 0.22,
    "into_note": 0.06,
}
HELD_BACK = {"violin": 16, "viola": 6, "cello": 6}


def rows_of(
    instrument: str, *, seeds: range, shares: dict[str, float], kind_shares: dict[str, float] | None = None
) -> tuple[Rows, npt.NDArray[np.int64]]:
    """Rows of random sides of one instrument, and the side that each row comes from; shares as for the scenes."""
    parts, side = [], []
    for seed in seeds:
        rng = np.random.default_rng([SEED, list(SIDES).index(instrument), seed])
        samples, truth = training_side(rng, instrument=instrument, length_s=LENGTH_S, kind_shares=kind_shares, **shares)
        line = follow(samples, sample_rate_hz=SAMPLE_RATE_HZ, instrument=instrument, scoring="network")
        speed_map = SpeedMap(truth.transfer_time_s[::10], truth.correction_cents[::10])
        rows = rows_of_side(line, truth, speed_map=speed_map, reference_pitch_hz=truth.plan.reference_pitch_hz)
        parts.append(rows)
        side.append(np.full(rows.kind.size, seed + 10_000 * list(SIDES).index(instrument)))
    values = np.concatenate([part.values.reshape(-1, len(NAMES)) for part in parts])
    return Rows(values, np.concatenate([part.kind for part in parts])), np.concatenate(side)


def figures(rows: Rows) -> dict[str, Any]:
    """How the weights in use do on rows not learned from, weighted to the share of slides that they are stated for."""
    judged = learned.judge(rows.values)
    confidence = np.array([j.confidence for j in judged])
    kinds = np.array([int(np.argmax(j.kinds[:5])) for j in judged])
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
        "precision": round(float(np.average(held[taken], weights=weight[taken])), 4),
        "recall_of_candidates": round(float(taken[held].mean()), 4),
        "calibration_error": round(sum(gaps), 4),
        "kind_right": {
            name: round(float((kinds[rows.kind == k] == k).mean()), 4)
            for k, name in enumerate(KINDS[:5])
            if (rows.kind == k).any()
        },
    }


def main() -> None:
    """Learn from the sides of ``SIDES``, test on those of ``HELD_BACK``, write weights and record."""
    rows_by_part = []
    for name, count in SIDES.items():
        first, more = FIRST_SEED + count, MORE_SIDES[name]
        rows_by_part.append(rows_of(name, seeds=range(FIRST_SEED, first), shares=SHARES))
        rows_by_part.append(rows_of(name, seeds=range(first, first + more), shares=SHARES, kind_shares=MORE_KINDS))
    rows = Rows(np.concatenate([r.values for r, _ in rows_by_part]), np.concatenate([r.kind for r, _ in rows_by_part]))
    arrays = grow(rows.values, rows.kind, np.concatenate([side for _, side in rows_by_part]), seed=SEED)
    np.savez_compressed(learned.WEIGHTS, **arrays)  # type: ignore[arg-type]
    record = {
        "made_by": "python -m pipeline.training.slides",
        "seed": SEED,
        "length_s": LENGTH_S,
        "sides": SIDES,
        "more_sides": MORE_SIDES,
        "kinds_of_more_sides": MORE_KINDS,
        **SHARES,
        "candidates": int(rows.kind.size),
        "share_of_slides_stated_for": SHARE,
        "slides": int((rows.kind >= 0).sum()),
        "features": list(NAMES),
        "held_back": {
            name: {
                "sides": count,
                **figures(rows_of(name, seeds=range(500, 500 + count), shares={})[0]),
            }
            for name, count in HELD_BACK.items()
        },
    }
    text = json.dumps(record, indent=1) + "\n"
    learned.WEIGHTS.with_suffix(".json").write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
