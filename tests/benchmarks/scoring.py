"""Scores of pitch lines and slides against rendered truth, from the definitions.

Raw pitch accuracy at 50 or 10 cents: the share of truly voiced frames whose estimate lies within the tolerance, a
frame without pitch counting as wrong (``mir_eval.melody.raw_pitch_accuracy``, on a 5 ms grid). Double stops are
left out. In-slide accuracy is the same over frames within slides' nominal ends.

Slides: found and true ones match when the intersection over union of their audible bounds (transfer time) is above
0.3 and their directions agree; each matches once, the best sum of overlaps first (assignment). True slides outside
the stated range of interval or duration, double stops, and ``into_note`` (unless asked for) are neither demanded
nor counted as false when found.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Protocol

import mir_eval
import numpy as np
from scipy.optimize import linear_sum_assignment

from pipeline.signal.synth.plan import TrueSlide, Truth
from pipeline.units import Floats

GRID_MS = 5


class FoundSlide(Protocol):
    """What a detector must say of a slide."""

    transfer_audible_start_s: float
    transfer_audible_end_s: float
    interval_cents: float
    kind: str


@dataclass(frozen=True)
class PitchScore:
    """Shares of 1; ``frames`` and ``slide_frames`` are how many 5 ms frames they stand on."""

    rpa50: float
    rpa10: float
    in_slide50: float
    median_cents: float
    frames: int
    slide_frames: int


def score_pitch(time_s: Floats, f0_hz: Floats, truth: Truth) -> PitchScore:
    """Scores of a pitch line (times (n,) s, Hz (n,), NaN or 0 where there is none) against the truth."""
    grid = truth.transfer_time_s[::GRID_MS]
    true_hz = truth.f0_hz[::GRID_MS]
    double = truth.double_stop[::GRID_MS] if truth.double_stop.size else np.zeros(grid.size, dtype=bool)
    wanted = np.isfinite(true_hz) & ~double
    sliding = np.zeros(grid.size, dtype=bool)
    for slide in truth.slides:
        sliding |= (grid >= slide.transfer_start_s) & (grid <= slide.transfer_end_s)
    found = at_times(time_s, f0_hz, grid)
    errors = np.abs(1200.0 * np.log2(found[wanted] / true_hz[wanted]))
    return PitchScore(
        rpa50=_accuracy(true_hz, found, wanted, 50.0),
        rpa10=_accuracy(true_hz, found, wanted, 10.0),
        in_slide50=_accuracy(true_hz, found, wanted & sliding, 50.0),
        median_cents=float(np.nanmedian(errors)) if np.isfinite(errors).any() else np.nan,
        frames=int(wanted.sum()),
        slide_frames=int((wanted & sliding).sum()),
    )


def at_times(time_s: Floats, f0_hz: Floats, grid_s: Floats) -> Floats:
    """A pitch line at other times: straight in cents between frames within a semitone, else the nearer."""
    midi = 12.0 * np.log2(np.where(np.asarray(f0_hz) > 0, f0_hz, np.nan))
    right = np.clip(np.searchsorted(time_s, grid_s), 1, len(time_s) - 1)
    left = right - 1
    share = np.clip((grid_s - time_s[left]) / (time_s[right] - time_s[left]), 0.0, 1.0)
    a, b = midi[left], midi[right]
    between = a + (b - a) * share
    near = np.where(share < 0.5, a, b)
    return np.exp2(np.where(np.abs(b - a) < 1.0, between, near) / 12.0)


def _accuracy(true_hz: Floats, found_hz: Floats, wanted: Any, tolerance_cents: float) -> float:
    if not wanted.any():
        return float("nan")
    reference = mir_eval.melody.hz2cents(true_hz[wanted])
    estimate = mir_eval.melody.hz2cents(np.nan_to_num(found_hz[wanted]))
    voiced = np.ones(reference.size)
    return float(
        mir_eval.melody.raw_pitch_accuracy(
            voiced, reference, (estimate > 0).astype(float), estimate, cent_tolerance=tolerance_cents
        )
    )


@dataclass
class SlideScore:
    """Counts and errors, which add up over sides (``+``).

    Errors are found less true: bounds in ms, interval in cents. ``kinds`` holds (true, found) kinds of matches.
    """

    true: int = 0
    recalled: int = 0
    found: int = 0
    right: int = 0
    solo_min: float = 0.0
    onset_ms: list[float] = field(default_factory=list)
    offset_ms: list[float] = field(default_factory=list)
    interval_cents: list[float] = field(default_factory=list)
    kinds: list[tuple[str, str]] = field(default_factory=list)
    missed: list[TrueSlide] = field(default_factory=list)
    false: list[Any] = field(default_factory=list)

    def __add__(self, other: "SlideScore") -> "SlideScore":
        names = self.__dataclass_fields__
        return SlideScore(**{name: getattr(self, name) + getattr(other, name) for name in names})

    @property
    def precision(self) -> float:
        """Share of found slides that are true ones."""
        return self.right / self.found if self.found else float("nan")

    @property
    def recall(self) -> float:
        """Share of true slides that are found."""
        return self.recalled / self.true if self.true else float("nan")

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        total = self.precision + self.recall
        return 2.0 * self.precision * self.recall / total if total > 0 else float("nan")

    @property
    def kind_right(self) -> float:
        """Share of matched slides whose kind is right."""
        return float(np.mean([a == b for a, b in self.kinds])) if self.kinds else float("nan")

    @property
    def false_per_min(self) -> float:
        """Found slides that are none, per minute."""
        return len(self.false) / self.solo_min if self.solo_min else float("nan")

    def row(self) -> dict[str, float]:
        """The figures that a table shows."""
        median = {
            name: float(np.median(np.abs(getattr(self, name)))) if getattr(self, name) else float("nan")
            for name in ("onset_ms", "offset_ms", "interval_cents")
        }
        return {
            "true": self.true,
            "precision": self.precision,
            "recall": self.recall,
            "f1": self.f1,
            "kind_right": self.kind_right,
            "false_per_min": self.false_per_min,
            **median,
        }


def in_range(
    *, least_semitones: float = 1.0, shortest_s: float = 0.06, longest_s: float = 0.35, into_note: bool = False
) -> Callable[[TrueSlide], bool]:
    """Which true slides are demanded: by interval and nominal duration, ``into_note`` only if asked for."""

    def wanted(slide: TrueSlide) -> bool:
        plan = slide.planned
        duration = slide.transfer_end_s - slide.transfer_start_s
        size = abs(plan.to_midi - plan.from_midi)
        return (
            size >= least_semitones - 0.15
            and shortest_s <= duration <= longest_s
            and (into_note or plan.kind != "into_note")
        )

    return wanted


def score_slides(
    found: Iterable[FoundSlide], truth: Truth, *, wanted: Callable[[TrueSlide], bool] | None = None
) -> SlideScore:
    """Match found slides with the truth of one side; ``wanted`` says which true slides are demanded."""
    wanted = in_range() if wanted is None else wanted
    found, true = list(found), list(truth.slides)
    overlap = np.zeros((len(true), len(found)))
    for i, a in enumerate(true):
        for j, b in enumerate(found):
            if np.sign(a.planned.to_midi - a.planned.from_midi) == np.sign(b.interval_cents):
                overlap[i, j] = _iou(a, b)
    overlap[overlap <= 0.3] = 0.0
    pairs = [(i, j) for i, j in zip(*linear_sum_assignment(-overlap), strict=True) if overlap[i, j] > 0]
    matched_true, matched_found = dict(pairs), {j: i for i, j in pairs}
    demanded = [bool(wanted(slide)) and not _in_double_stop(slide, truth) for slide in true]
    score = SlideScore(solo_min=float(np.isfinite(truth.f0_hz).sum()) / 60_000.0)
    for i, slide in enumerate(true):
        if demanded[i]:
            score.true += 1
            score.recalled += i in matched_true
            if i not in matched_true:
                score.missed.append(slide)
    for j, slide in enumerate(found):
        i = matched_found.get(j)
        if i is None:
            if not _excused(slide, true, demanded, truth):
                score.found += 1
                score.false.append(slide)
        elif demanded[i]:
            score.found += 1
            score.right += 1
            _add_errors(score, true[i], slide)
    return score


def _iou(a: TrueSlide, b: FoundSlide) -> float:
    start, end = a.transfer_audible_start_s, a.transfer_audible_end_s
    both = min(end, b.transfer_audible_end_s) - max(start, b.transfer_audible_start_s)
    either = max(end, b.transfer_audible_end_s) - min(start, b.transfer_audible_start_s)
    return both / either if both > 0 and either > 0 else 0.0


def _in_double_stop(slide: TrueSlide, truth: Truth) -> bool:
    if not truth.double_stop.size:
        return False
    near = (truth.transfer_time_s > slide.transfer_start_s - 0.1) & (truth.transfer_time_s < slide.transfer_end_s + 0.1)
    return bool(truth.double_stop[near].any())


def _excused(slide: FoundSlide, true: list[TrueSlide], demanded: list[bool], truth: Truth) -> bool:
    """Found beside a true slide that is not demanded, or in a double stop."""
    a, b = slide.transfer_audible_start_s, slide.transfer_audible_end_s
    for other, needed in zip(true, demanded, strict=True):
        if not needed and other.transfer_start_s < b and a < other.transfer_end_s:
            return True
    if not truth.double_stop.size:
        return False
    near = (truth.transfer_time_s > a - 0.05) & (truth.transfer_time_s < b + 0.05)
    return bool(truth.double_stop[near].any())


def _add_errors(score: SlideScore, true: TrueSlide, found: FoundSlide) -> None:
    score.onset_ms.append(1000.0 * (found.transfer_audible_start_s - true.transfer_audible_start_s))
    score.offset_ms.append(1000.0 * (found.transfer_audible_end_s - true.transfer_audible_end_s))
    score.interval_cents.append(found.interval_cents - 100.0 * (true.planned.to_midi - true.planned.from_midi))
    score.kinds.append((true.planned.kind, found.kind))
