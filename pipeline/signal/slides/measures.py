"""What is reported of one slide: its bounds as times, pitches, break, gradient, inflection, prominence, audible index.

Where it starts and ends is told by ``bounds``. Gradients are the mean over the unbroken part of the glide between its
audible bounds. The audible index sets the glide against the glissando
threshold of 0.16 / T^2 semitones per second ('t Hart, Collier and Cohen 1990, speech-like isolated tones): a
guide, not a filter.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.kinds import KINDS
from pipeline.signal.slides.bounds import ARRIVED, LEFT, bounds
from pipeline.signal.slides.candidates import Candidate
from pipeline.signal.slides.frames import Frames
from pipeline.signal.slides.glide_fit import ARRIVING, DEPARTING, ENTERING, TWO
from pipeline.units import hz_of_midi, ms_of_s

GLISSANDO_THRESHOLD = 0.16
"""Semitones per second times seconds squared."""


@dataclass(frozen=True)
class Slide:
    """One slide; times of the transfer and corrected; pitches in fractional MIDI; numbers of its notes.

    ``kinds`` holds the probabilities of ``pipeline.kinds.KINDS``, which sum to 1. ``glided_cents`` is
    ``interval_cents`` without the step. ``stroke`` says whose bow stroke carries the slide, ``strokes`` with what
    probabilities, in the order of ``pipeline.kinds.STROKES``; told once all slides are known.
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
    glided_cents: float
    duration_ms: float
    gradient_cents_per_s: float
    gradient_hz_per_s: float
    inflection_s: float
    prominence_db: float
    kind: str
    kinds: tuple[float, ...]
    confidence: float
    audible_index: float
    stroke: str
    strokes: tuple[float, float, float]
    flags: tuple[str, ...]


def measure_slide(
    frames: Frames, candidate: Candidate, *, kinds: tuple[float, ...], confidence: float, flags: tuple[str, ...]
) -> Slide:
    """All measures of one accepted slide."""
    fit, model, first = candidate.fit, candidate.model, candidate.first
    a, b = candidate.from_midi, candidate.b
    found = bounds(candidate)
    start, end = found.start, found.end
    transfer_s = [frames.transfer_at(first + x) for x in (*found, 0.5 * (start + end))]
    true = np.interp(transfer_s, frames.transfer_s, frames.true_s)
    low, high = candidate.glide
    if model == TWO:
        high = high - candidate.step
    ten, ninety = low + LEFT * (high - low), low + ARRIVED * (high - low)
    share = 0.8 if fit.straight[model] else 1.0 - 2.0 * float(np.arccos(0.8)) / np.pi
    duration_s = float(true[1] - true[0])
    hz = hz_of_midi([ten, ninety], reference_pitch_hz=frames.reference_pitch_hz)
    broken = model in (DEPARTING, ARRIVING, TWO)
    step_s = transfer_s[1] if model == DEPARTING else transfer_s[0]
    if model == TWO:
        step_s = frames.transfer_at(first + float(fit.step_at[TWO]))
    inside = frames.prominence_db[max(round(first + start), 0) : round(first + end) + 1]
    inside = inside[np.isfinite(inside)]
    return Slide(
        from_note=None if model == ENTERING else candidate.before,
        to_note=candidate.after,
        transfer_start_s=transfer_s[0],
        transfer_end_s=transfer_s[1],
        transfer_audible_start_s=transfer_s[2],
        transfer_audible_end_s=transfer_s[3],
        start_s=float(true[0]),
        end_s=float(true[1]),
        audible_start_s=float(true[2]),
        audible_end_s=float(true[3]),
        from_midi=a,
        to_midi=b,
        step_from_midi=float(fit.step_from[model]) if broken else float("nan"),
        step_to_midi=float(fit.step_to[model]) if broken else float("nan"),
        step_s=float(np.interp(step_s, frames.transfer_s, frames.true_s)) if broken else float("nan"),
        interval_cents=100.0 * (b - a),
        glided_cents=100.0 * (high - low),
        duration_ms=ms_of_s(duration_s),
        gradient_cents_per_s=100.0 * (ninety - ten) / (share * duration_s),
        gradient_hz_per_s=float(hz[1] - hz[0]) / (share * duration_s),
        inflection_s=float(true[4]),
        prominence_db=float(np.median(inside)) if inside.size else float("nan"),
        kind=KINDS[int(np.argmax(kinds))],
        kinds=kinds,
        confidence=confidence,
        audible_index=abs(b - a) * duration_s / GLISSANDO_THRESHOLD,
        stroke="cannot_tell",
        strokes=(float("nan"), float("nan"), float("nan")),
        flags=flags,
    )
