"""Finds notes, the transitions between them, and the slides among the transitions.

Every pair of neighbouring notes is tested: the best slide against the best account without one (a step, or a
grace note between two steps). A slide is claimed where the glide explains the line much better, lasts long enough
and covers enough pitch; where nothing is claimed the transition stands as a chance that was not taken.

Deviation from the literature: bounds are those of the fitted glide, not of a slope threshold, so vibrato beside a
slide neither lengthens nor splits it.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.signal import bowing
from pipeline.signal.notes import Note, Span, find_spans, measure_note
from pipeline.signal.pitch_line import Frames, Line, TimeMap, prepare
from pipeline.signal.slide_measures import Slide, measure_slide
from pipeline.signal.slide_models import ARRIVING, DEPARTING, GRACE, JUMP, SAME, TWO, Fit, fit_transition

REACH_S = 0.081
LEVEL_S = 0.2
LONGEST_GLIDE_S = 0.5
LONGEST_SILENCE_S = 0.08
LEAST_INTERVAL = 0.5
LEAST_DURATION_S = 0.035
LEAST_RISE = 0.7
LEAST_GAIN = 10.0
CHANCE_GAP_S = 0.25
MODEL_COST = np.array([0.0, 0.0, 2.0, 2.0, 6.0, 4.0])
"""What each model must pay for its extra freedom, in units of squared sigma."""
SLIDE_MODELS = (SAME, DEPARTING, ARRIVING, TWO)


@dataclass(frozen=True)
class Transition:
    """Two neighbouring notes, by their numbers in ``Detection.notes``.

    ``exposure`` is True where the pair counts as a chance to slide: at least half a semitone apart and no longer
    rest than a quarter of a second between them.
    """

    from_note: int
    to_note: int
    interval_cents: float
    gap_ms: float
    slurred_probability: float
    exposure: bool


@dataclass(frozen=True)
class Detection:
    """All that was found in one transfer, in time order."""

    notes: tuple[Note, ...]
    transitions: tuple[Transition, ...]
    slides: tuple[Slide, ...]


def find_notes_and_slides(
    line: Line,
    *,
    speed_map: TimeMap,
    reference_pitch_hz: float,
    instrument: str | None,
    spans: list[tuple[float, float]] | None,
) -> Detection:
    """Notes, transitions and slides of one transfer.

    Parameters
    ----------
    line : the melody tracker's output in raw transfer time.
    speed_map : the speed correction.
    reference_pitch_hz : A4 of the take.
    instrument : one of ``pipeline.signal.instruments.INSTRUMENTS``, None if unknown.
    spans : transfer seconds of solo playing; None for the whole transfer.
    """
    if np.size(line.time_s) < 2:
        return Detection((), (), ())
    frames = prepare(line, speed_map=speed_map, reference_pitch_hz=reference_pitch_hz, spans=spans)
    held = find_spans(frames)
    rebowed = [float("nan")] + [
        bowing.rebowed_probability(frames.level_db, border=0.5 * (a.end + b.start) - 0.5, frame_s=frames.frame_s)
        for a, b in pairwise(held)
    ]
    notes, transitions, slides = [], [], []
    for i, span in enumerate(held):
        slide = None
        if i > 0:
            slide = _slide_between(frames, held[i - 1], span, i)
            transitions.append(_transition(frames, held[i - 1], span, i, rebowed[i]))
        if slide is not None:
            slides.append(slide)
        probability = rebowed[i] if i > 0 else 1.0
        notes.append(
            measure_note(span, frames, begins=bowing.begins(probability), rebowed_probability=probability)
        )
    return Detection(tuple(notes), tuple(transitions), tuple(slides))


def _transition(frames: Frames, a: Span, b: Span, number: int, rebowed: float) -> Transition:
    gap_s = max(b.start - a.end, 0) * frames.frame_s if a.region != b.region else 0.0
    interval = b.level - a.level
    return Transition(
        from_note=number - 1,
        to_note=number,
        interval_cents=100.0 * interval,
        gap_ms=1000.0 * gap_s,
        slurred_probability=0.0 if gap_s > CHANCE_GAP_S else 1.0 - rebowed,
        exposure=abs(interval) >= LEAST_INTERVAL and gap_s <= CHANCE_GAP_S,
    )


def _slide_between(frames: Frames, a: Span, b: Span, number: int) -> Slide | None:
    if a.region != b.region and (b.start - a.end) * frames.frame_s > LONGEST_SILENCE_S:
        return None
    if (b.start - a.end) * frames.frame_s > 2 * LONGEST_GLIDE_S:
        return None
    reach = frames.frames(REACH_S)
    far = frames.frames(LEVEL_S)
    first = max(a.end - reach, a.start)
    last = min(b.start + reach, b.end)
    level_a = _level(frames, max(a.start, a.end - far), a.end, at_end=True)
    level_b = _level(frames, b.start, min(b.end, b.start + far), at_end=False)
    if abs(level_b - level_a) < LEAST_INTERVAL:
        return None
    window = frames.midi[first:last].copy()
    weights = np.isfinite(window).astype(np.float64)
    window[weights == 0] = level_a
    low, high = sorted((level_a, level_b))
    inside = (window > low + 0.15) & (window < high - 0.15) & (weights > 0)
    if inside.sum() < 2:
        return None
    fit = fit_transition(window, weights, a=level_a, b=level_b, longest=frames.frames(LONGEST_GLIDE_S))
    return _judged(fit, frames, first=first, levels=(level_a, level_b), number=number)


def _level(frames: Frames, start: int, end: int, *, at_end: bool) -> float:
    """Pitch held beside a transition: the median without the frames nearest to it."""
    drop = min(frames.frames(0.03), (end - start) // 3)
    part = frames.midi[start : end - drop] if at_end else frames.midi[start + drop : end]
    return float(np.nanmedian(part))


def _judged(fit: Fit, frames: Frames, *, first: int, levels: tuple[float, float], number: int) -> Slide | None:
    cost = fit.cost + MODEL_COST
    model = min(SLIDE_MODELS, key=lambda m: cost[m])
    if not np.isfinite(cost[model]):
        return None
    gain = float(min(cost[JUMP], cost[GRACE]) - cost[model])
    duration_s = (fit.end[model] - fit.start[model]) * frames.frame_s
    a, b = levels
    if model == DEPARTING:
        rise = abs(fit.step_from[model] - a)
    elif model == ARRIVING:
        rise = abs(b - fit.step_to[model])
    else:
        rise = abs(b - a)
    least = LEAST_RISE if model == SAME else 0.45
    if gain < LEAST_GAIN or duration_s < LEAST_DURATION_S or rise < least:
        return None
    weights = np.exp(-0.5 * (cost[list(SLIDE_MODELS)] - cost[model]))
    shares = 0.96 * weights / weights.sum()
    kinds = (*(float(s) for s in shares), 0.0, 0.04)
    confidence = float(1.0 / (1.0 + np.exp(-(gain - LEAST_GAIN) / 10.0 - (duration_s - 0.05) / 0.03)))
    return measure_slide(
        frames,
        fit,
        model,
        first=first,
        levels=levels,
        notes=(number - 1, number),
        kinds=kinds,
        confidence=confidence,
    )
