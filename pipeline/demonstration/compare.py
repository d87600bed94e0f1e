"""Found against planted: slides matched by overlap, speeds set side by side.

A found and a planted slide are one when the intersection over union of their audible bounds is above ``SAME_SLIDE``
and they go the same way; each matches once, largest overlaps together. Planted slides beside a double stop are
neither demanded nor counted as false.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.optimize import linear_sum_assignment

from pipeline.overlap import SAME_SLIDE, overlap
from pipeline.units import Floats, ms_of_s

Row = dict[str, Any]


@dataclass(frozen=True)
class SlideCounts:
    """Counts over the transfers compared; errors are medians of absolute errors of the matched.

    ``kinds`` holds for each kind planted: planted, found, and found with that kind.
    """

    planted: int
    found: int
    right: int
    onset_ms: float
    offset_ms: float
    interval_cents: float
    kinds: dict[str, tuple[int, int, int]] = field(default_factory=dict)

    @property
    def precision(self) -> float:
        """Share of found slides that were planted."""
        return self.right / self.found if self.found else float("nan")

    @property
    def recall(self) -> float:
        """Share of planted slides that were found."""
        return self.right / self.planted if self.planted else float("nan")

    @property
    def kinds_right(self) -> int:
        """Matched slides whose kind is the planted one."""
        return sum(right for _, _, right in self.kinds.values())


def read_truth(folder: Path, name: str) -> pl.DataFrame:
    """The table ``truth/<name>.csv`` of the demo corpus in ``folder``."""
    return pl.read_csv(folder / "truth" / f"{name}.csv", infer_schema_length=None)


def compare_slides(found: pl.DataFrame, planted: pl.DataFrame) -> SlideCounts:
    """Match rows of ``base.slide`` with planted ones, transfer by transfer."""
    demanded, recalled, judged = 0, 0, 0
    errors: list[tuple[float, float, float]] = []
    kinds: dict[str, list[int]] = {}
    # A side on which nothing was planted counts as well: what is found there is false.
    for transfer_id in sorted({*planted["transfer_id"], *found["transfer_id"]}):
        true = planted.filter(pl.col("transfer_id") == transfer_id).rows(named=True)
        got = found.filter(pl.col("transfer_id") == transfer_id).rows(named=True)
        pairs = dict(match(true, got))
        matched = set(pairs.values())
        for i, slide in enumerate(true):
            if slide["in_double_stop"]:
                continue
            demanded += 1
            tally = kinds.setdefault(slide["kind"], [0, 0, 0])
            tally[0] += 1
            if i in pairs:
                other = got[pairs[i]]
                recalled += 1
                tally[1] += 1
                tally[2] += other["kind"] == slide["kind"]
                errors.append(_errors(slide, other))
        excused = {j for i, j in pairs.items() if true[i]["in_double_stop"]}
        excused |= {j for j, slide in enumerate(got) if j not in matched and _beside_double_stop(slide, true)}
        judged += len(got) - len(excused)
    onset, offset, interval = np.median(np.abs(np.array(errors)), axis=0) if errors else np.full(3, np.nan)
    return SlideCounts(
        planted=demanded,
        found=judged,
        right=recalled,
        onset_ms=float(onset),
        offset_ms=float(offset),
        interval_cents=float(interval),
        kinds={kind: (tally[0], tally[1], tally[2]) for kind, tally in sorted(kinds.items())},
    )


def match(true: list[Row], found: list[Row]) -> list[tuple[int, int]]:
    """Pairs (planted, found) of one transfer."""
    bounds = ("transfer_audible_start_s", "transfer_audible_end_s")
    shared = overlap(*([row[name] for row in rows] for rows in (true, found) for name in bounds))
    rising = np.sign([row["to_midi"] - row["from_midi"] for row in true])
    alike = rising[:, None] == np.sign([row["interval_cents"] for row in found])[None, :]
    shared[~alike | (shared <= SAME_SLIDE)] = 0.0
    rows, columns = linear_sum_assignment(-shared)
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if shared[i, j] > 0]


def _errors(true: Row, found: Row) -> tuple[float, float, float]:
    return (
        ms_of_s(found["transfer_audible_start_s"] - true["transfer_audible_start_s"]),
        ms_of_s(found["transfer_audible_end_s"] - true["transfer_audible_end_s"]),
        found["interval_cents"] - 100.0 * (true["to_midi"] - true["from_midi"]),
    )


def _beside_double_stop(slide: Row, true: list[Row]) -> bool:
    return any(
        other["in_double_stop"]
        and other["transfer_start_s"] < slide["transfer_audible_end_s"]
        and slide["transfer_audible_start_s"] < other["transfer_end_s"]
        for other in true
    )


def compare_speeds(speed: pl.DataFrame, planted: pl.DataFrame) -> pl.DataFrame:
    """Rows of ``base.speed`` beside the planted speeds: error of the offset, and the same modulo a semitone."""
    joined = speed.join(planted, on="transfer_id", suffix="_planted", maintain_order="left")
    error = pl.col("offset_cents") - pl.col("offset_cents_planted")
    return joined.with_columns(
        error_cents=error,
        error_modulo_semitone_cents=(error + 50.0) - ((error + 50.0) / 100.0).floor() * 100.0 - 50.0,
    )


@dataclass(frozen=True)
class HandCounts:
    """Planted notes, those found, and of these: right string and finger by the likeliest reading, and in the 90 % set.

    ``calibration_error`` is the expected calibration error of the likeliest answer, in ten equal bins; NaN for no note.
    """

    planted: int
    found: int
    right: int
    in_set: int
    calibration_error: float


def compare_hands(note: pl.DataFrame, note_hand: pl.DataFrame, planted: pl.DataFrame) -> HandCounts:
    """The strings and fingers of each found note against the planted; notes match by half of their length."""
    probability: list[float] = []
    right: list[bool] = []
    in_set = 0
    used = note_hand.filter(pl.col("speed_rank") == 1).sort("note_id", "rank")
    ways = {note_id: rows.rows(named=True) for (note_id,), rows in used.group_by(["note_id"], maintain_order=True)}
    for (transfer_id,), mine in planted.group_by(["transfer_id"], maintain_order=True):
        got = note.filter(pl.col("transfer_id") == transfer_id)
        starts: Floats = got["start_s"].to_numpy()
        ends: Floats = got["end_s"].to_numpy()
        for true in mine.rows(named=True):
            shared = np.minimum(ends, true["end_s"]) - np.maximum(starts, true["start_s"])
            if shared.size and shared.max() >= 0.5 * (true["end_s"] - true["start_s"]):
                rows = ways[got["note_id"][int(np.argmax(shared))]]
                hits = [row["string"] == true["string"] and row["finger"] == true["finger"] for row in rows]
                probability.append(rows[0]["probability"])
                right.append(hits[0])
                in_set += any(hit and row["in_set"] for hit, row in zip(hits, rows, strict=True))
    return HandCounts(planted.height, len(right), sum(right), in_set, calibration_error(probability, right))


def calibration_error(probability: npt.ArrayLike, right: npt.ArrayLike) -> float:
    """Expected calibration error of answers in ten bins of equal width (Guo et al. 2017); NaN for no answer.

    Parameters
    ----------
    probability, right : how sure each answer was, and whether it was right, shape (n,).
    """
    told, hit = np.asarray(probability, dtype=np.float64), np.asarray(right, dtype=np.float64)
    if not told.size:
        return float("nan")
    bins = np.minimum((told * 10.0).astype(np.int64), 9)
    off = np.bincount(bins, weights=told - hit, minlength=10)
    return float(np.abs(off).sum() / told.size)
