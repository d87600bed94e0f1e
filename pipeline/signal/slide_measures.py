"""What is reported of one slide: bounds, pitches, break, gradient, inflection, prominence, audible index.

Nominal bounds are the ends of the fitted glide; audible bounds are where it has left the first pitch by 10 % of
the interval for the first time and comes to within 10 % of the second for the last time. Gradients are the mean
over the unbroken part of the glide between those bounds. The audible index sets the glide against the glissando
threshold of 0.16 / T^2 semitones per second ('t Hart, Collier and Cohen 1990, speech-like isolated tones): a
guide, not a filter.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.signal.kinds import KINDS
from pipeline.signal.pitch_line import Frames
from pipeline.signal.slide_models import ARRIVING, DEPARTING, SAME, TWO, Fit
from pipeline.units import Floats, hz_of_midi

GLISSANDO_THRESHOLD = 0.16
"""Semitones per second times seconds squared."""


@dataclass(frozen=True)
class Slide:
    """One slide; times of the transfer and corrected; pitches in fractional MIDI; numbers of its notes.

    ``kinds`` holds the probabilities of ``pipeline.signal.kinds.KINDS``, which sum to 1.
    """

    from_note: int | None
    to_note: int
    transfer_start_s: float
    transfer_end_s: float
    transfer_audible_start_s: float
    transfer_audible_end_s: float
    start_s: float
    end_s: float
    audible_start_s: float
    audible_end_s: float
    from_midi: float
    to_midi: float
    step_from_midi: float
    step_to_midi: float
    step_s: float
    interval_cents: float
    duration_ms: float
    gradient_cents_per_s: float
    gradient_hz_per_s: float
    inflection_s: float
    prominence_db: float
    kind: str
    kinds: tuple[float, ...]
    confidence: float
    audible_index: float
    flags: tuple[str, ...]


def curve(fit: Fit, model: int, at: Floats, *, levels: tuple[float, float]) -> Floats:
    """Fitted pitch in semitones at fractional frames of the window."""
    a, b = levels
    start, end = fit.start[model], fit.end[model]
    x = np.clip((at - start) / max(end - start, 1e-9), 0.0, 1.0)
    u = x if fit.straight[model] else 0.5 - 0.5 * np.cos(np.pi * x)
    if model == DEPARTING:
        return np.where(at > end, b, a + (fit.step_from[model] - a) * u)
    if model == ARRIVING:
        return np.where(at < start, a, b + (fit.step_to[model] - b) * (1.0 - u))
    step = fit.step_to[model] - fit.step_from[model] if model == TWO else 0.0
    return (
        a + (b - a - step) * u + np.where(at > fit.step_at[model], step, 0.0) if model == TWO else a + (b - a) * u
    )


def measure_slide(
    frames: Frames,
    fit: Fit,
    model: int,
    *,
    first: int,
    levels: tuple[float, float],
    notes: tuple[int | None, int],
    kinds: tuple[float, ...],
    confidence: float,
) -> Slide:
    """All measures of one accepted slide; ``first`` is the window's first frame."""
    a, b = levels
    start, end = float(fit.start[model]), float(fit.end[model])
    at = np.arange(start - 1.0, end + 1.0, 0.02)
    pitch = curve(fit, model, at, levels=levels)
    part = 0.1 * abs(b - a)
    audible = np.flatnonzero((np.abs(pitch - a) >= part) & (at >= start))
    left = float(at[audible[0]]) if audible.size else start
    coming = np.flatnonzero((np.abs(pitch - b) >= part) & (at <= end))
    right = float(at[coming[-1]]) if coming.size else end
    bounds = [frames.transfer_at(first + x) for x in (start, end, left, right, 0.5 * (start + end))]
    true = np.interp(bounds, frames.transfer_s, frames.true_s)
    if model == DEPARTING:
        glide = (a, float(fit.step_from[model]))
    elif model == ARRIVING:
        glide = (float(fit.step_to[model]), b)
    else:
        glide = (a, b)
    share = 1.0 if fit.straight[model] else 2.0 * np.arccos(0.8) / np.pi
    middle_s = max((0.8 if fit.straight[model] else 1.0 - share) * float(true[1] - true[0]), 1e-6)
    ten, ninety = glide[0] + 0.1 * (glide[1] - glide[0]), glide[0] + 0.9 * (glide[1] - glide[0])
    hz = hz_of_midi([ten, ninety], reference_pitch_hz=frames.reference_pitch_hz)
    broken = model != SAME
    inside = slice(max(round(first + start), 0), round(first + end) + 1)
    prominence = frames.prominence_db[inside]
    duration_s = float(true[1] - true[0])
    return Slide(
        from_note=notes[0],
        to_note=notes[1],
        transfer_start_s=bounds[0],
        transfer_end_s=bounds[1],
        transfer_audible_start_s=bounds[2],
        transfer_audible_end_s=bounds[3],
        start_s=float(true[0]),
        end_s=float(true[1]),
        audible_start_s=float(true[2]),
        audible_end_s=float(true[3]),
        from_midi=a,
        to_midi=b,
        step_from_midi=float(fit.step_from[model]) if broken else float("nan"),
        step_to_midi=float(fit.step_to[model]) if broken else float("nan"),
        step_s=_true_time(frames, first + float(fit.step_at[model])) if broken else float("nan"),
        interval_cents=100.0 * (b - a),
        duration_ms=1000.0 * duration_s,
        gradient_cents_per_s=100.0 * (ninety - ten) / middle_s,
        gradient_hz_per_s=float(hz[1] - hz[0]) / middle_s,
        inflection_s=float(true[4]),
        prominence_db=float(np.nanmedian(prominence)) if np.isfinite(prominence).any() else float("nan"),
        kind=KINDS[int(np.argmax(kinds))],
        kinds=kinds,
        confidence=confidence,
        audible_index=abs(b - a) * duration_s / GLISSANDO_THRESHOLD,
        flags=(),
    )


def _true_time(frames: Frames, frame: float) -> float:
    return float(np.interp(frames.transfer_at(frame), frames.transfer_s, frames.true_s))
