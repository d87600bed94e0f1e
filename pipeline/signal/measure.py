"""One side's measurement: tracks, tuning curve and the evidence that goes with it, as plain numbers."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.signal.circular import coarse_path
from pipeline.signal.drift import fit_curve, spline_columns
from pipeline.signal.tuning import SteadyNotes, solo_tracks
from pipeline.units import Floats

LEAST_TONES = 12
SECTION_S = 15.0


@dataclass(frozen=True)
class MeasuredSide:
    """What one side sounds; see ``schemas/base/tuning.toml`` for the meaning of the fields."""

    measured: bool
    reason: str
    length_s: float
    tone_count: int
    sharp_cents: float
    sharp_se_cents: float
    curve_time_s: Floats
    curve_cents: Floats
    curve_se_cents: Floats
    pitch_class_notes: Floats

    def row(self) -> dict[str, Any]:
        """The side as a row of the table ``tuning``, without its transfer."""
        row: dict[str, Any] = {}
        for name, value in vars(self).items():
            row[name] = value.ravel().tolist() if isinstance(value, np.ndarray) else value
        return row


def measure_side(
    samples: npt.NDArray[np.float32],
    *,
    sample_rate_hz: int,
    time_s: Floats,
    f0_hz: Floats,
    voiced_probability: Floats,
) -> MeasuredSide:
    """Measure one side from its samples and its pitch line in raw transfer time (arrays of shape (frames,))."""
    length_s = samples.size / sample_rate_hz
    notes, tracks = solo_tracks(time_s, f0_hz, confidence=voiced_probability, least_confidence=0.5)
    if tracks.count < LEAST_TONES:
        return _unmeasured(length_s, tracks.count, f"only {tracks.count} steady tones; {LEAST_TONES} are needed")
    at, path, _ = coarse_path(tracks.time_s, tracks.cents, tracks.weight, length_s=length_s)
    fit = fit_curve(tracks, start=np.interp(tracks.time_s, at, path), length_s=length_s)
    grid = np.linspace(0.0, length_s, max(3, round(length_s) + 1))
    columns = spline_columns(grid, length_s=length_s)
    size = columns.shape[1]
    curve = columns @ fit.coefficient[:size]
    covariance = fit.covariance[:size, :size]
    mean = columns.mean(axis=0)
    return MeasuredSide(
        measured=True,
        reason=f"{tracks.count} steady tones",
        length_s=length_s,
        tone_count=tracks.count,
        sharp_cents=float(curve.mean()),
        sharp_se_cents=float(np.sqrt(mean @ covariance @ mean)),
        curve_time_s=grid,
        curve_cents=curve,
        curve_se_cents=np.sqrt(np.einsum("ij,jk,ik->i", columns, covariance, columns)),
        pitch_class_notes=_pitch_classes(
            notes, np.interp(0.5 * (notes.start_s + notes.end_s), grid, curve), length_s
        ),
    )


def _unmeasured(length_s: float, tones: int, reason: str) -> MeasuredSide:
    none = np.empty(0)
    return MeasuredSide(False, reason, length_s, tones, np.nan, np.nan, none, none, none, np.zeros((1, 12)))


def _pitch_classes(notes: SteadyNotes, curve: Floats, length_s: float) -> Floats:
    sections = max(1, round(length_s / SECTION_S))
    table = np.zeros((sections, 12))
    number = np.round((notes.cents - curve) / 100.0).astype(np.int64) + 69
    middle = 0.5 * (notes.start_s + notes.end_s)
    row = np.clip((middle / max(length_s, 1e-9) * sections).astype(np.int64), 0, sections - 1)
    np.add.at(table, (row, number % 12), np.minimum((notes.end_s - notes.start_s) / 0.3, 1.5))
    return table
