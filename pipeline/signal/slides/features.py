"""What is known of a candidate, as numbers: fits, durations, steps, loudness, trust, and the notes around it.

All times are in corrected seconds and all pitches in semitones, relative to the candidate: nothing here depends on
loudness, key or speed. Register counts by one number only, for the longer window that low notes are followed with
smears a quick change into a short glide.
"""

import numpy as np

from pipeline.compiled import mean, median_of_known, spread_of_known
from pipeline.signal.slides import bowing
from pipeline.signal.slides.candidates import Candidate
from pipeline.signal.slides.frames import Frames
from pipeline.signal.slides.glide_fit import ARRIVING, DEPARTING, ENTERING, GRACE, JUMP, SAME, SIGMA, TWO
from pipeline.signal.slides.notes import Span
from pipeline.units import Floats

NAMES = (
    "gain",
    "gain_over_jump",
    "gain_over_grace",
    "excess_same",
    "excess_departing",
    "excess_arriving",
    "excess_two",
    "misfit",
    "misfit_inside",
    "duration_s",
    "same_duration_s",
    "departing_duration_s",
    "arriving_duration_s",
    "interval",
    "rise",
    "steepness",
    "straight",
    "step",
    "two_step",
    "two_place",
    "departing_step",
    "arriving_step",
    "departing_reach",
    "arriving_reach",
    "between_s",
    "leap",
    "leap_place",
    "second_leap",
    "leaps",
    "entrance",
    "passes",
    "before_s",
    "after_s",
    "before_spread",
    "after_spread",
    "return_before",
    "return_after",
    "bow_start",
    "bow_end",
    "bow_inside",
    "level_inside_db",
    "silence_before",
    "level_change_db",
    "voiced_before",
    "voiced_inside",
    "voiced_after",
    "trust_inside",
    "least_trust",
    "trust_change",
    "trust_before",
    "trust_after",
    "prominence_inside_db",
    "prominence_change_db",
    "lost_share",
    "lowest_midi",
    "crossing_s",
    "quartile_crossing_s",
    "way_at_quarter",
    "way_at_half",
    "way_at_three_quarters",
    "steepest",
    "steepest_place",
    "prominence_dip_db",
    "trust_dip",
    "doubt_s",
    "below_sound_db",
    "below_sound_near_db",
    "trust_near",
    "doubtful_near",
    "notes_near",
    "gliding_inside",
    "gliding_most",
    "gliding_s",
    "gliding_beside_s",
)
NEAR_S = 0.75
"""Stretch on either side of a candidate that tells how the line is followed hereabouts."""
DOUBT = 0.8
"""Confidence of a frame that is not doubted."""
_FAR = 60.0  # more squared sigma say no more: keeps the trees' thresholds in range


def features(frames: Frames, spans: list[Span], candidate: Candidate) -> Floats:
    """(len(NAMES),) numbers of one candidate; NaN where one does not apply."""
    values = {**_of_fit(frames, candidate), **_of_line(frames, candidate), **_of_notes(frames, spans, candidate)}
    values |= _of_sound(frames, spans, candidate)
    values |= _of_crossing(frames, candidate) | _of_surroundings(frames, spans, candidate)
    values |= _of_second_look(frames, candidate)
    return np.array([values[name] for name in NAMES])


def _of_fit(frames: Frames, c: Candidate) -> dict[str, float]:
    fit, cost = c.fit, c.fit.charged
    best = float(cost[c.model])
    seconds = (fit.end - fit.start) * frames.frame_s
    sign = 1.0 if c.b >= c.from_midi else -1.0
    low, high = c.glide
    rise = abs(high - low) - (abs(c.step) if c.model == TWO else 0.0)
    duration = float(seconds[c.model])
    span = fit.end[TWO] - fit.start[TWO]
    rival = min(float(cost[JUMP]), float(cost[GRACE]))
    return {
        "gain": _capped(rival - best),
        "gain_over_jump": _capped(float(cost[JUMP]) - best),
        "gain_over_grace": _capped(float(cost[GRACE]) - best),
        "excess_same": _capped(float(cost[SAME]) - best),
        "excess_departing": _capped(float(cost[DEPARTING]) - best),
        "excess_arriving": _capped(float(cost[ARRIVING]) - best),
        "excess_two": _capped(float(cost[TWO]) - best),
        "misfit": float(fit.cost[c.model]) / max(c.midi.size, 1),
        "duration_s": duration,
        "same_duration_s": float(seconds[SAME]),
        "departing_duration_s": float(seconds[DEPARTING]),
        "arriving_duration_s": float(seconds[ARRIVING]),
        "interval": abs(c.b - c.from_midi),
        "rise": rise,
        "steepness": rise / max(duration, frames.frame_s),
        "straight": float(fit.straight[c.model]),
        "step": sign * c.step,
        "two_step": abs(float(fit.step_to[TWO] - fit.step_from[TWO])),
        "two_place": float((fit.step_at[TWO] - fit.start[TWO]) / span) if span > 0 else float("nan"),
        "departing_step": sign * float(fit.step_to[DEPARTING] - fit.step_from[DEPARTING]),
        "arriving_step": sign * float(fit.step_to[ARRIVING] - fit.step_from[ARRIVING]),
        "departing_reach": sign * float(fit.step_from[DEPARTING] - c.a),
        "arriving_reach": sign * float(c.b - fit.step_to[ARRIVING]),
        "entrance": float(c.model == ENTERING),
        "passes": float(c.passed is not None),
    }


def _capped(cost: float) -> float:
    return min(cost, 200.0) if np.isfinite(cost) else 200.0


def _of_line(frames: Frames, c: Candidate) -> dict[str, float]:
    low, high = min(c.from_midi, c.b), max(c.from_midi, c.b)
    between = (c.midi > low + 0.25) & (c.midi < high - 0.25)
    steps = np.abs(np.diff(c.midi))
    steps = np.where(np.isfinite(steps), steps, 0.0)
    order = np.argsort(-steps, kind="stable")
    start, end = c.start - c.first, c.end - c.first
    return {
        "between_s": float(between.sum()) * frames.frame_s,
        "leap": float(steps[order[0]]) if steps.size else 0.0,
        "leap_place": float((order[0] + 0.5 - start) / max(end - start, 1.0)) if steps.size else 0.5,
        "second_leap": float(steps[order[1]]) if steps.size > 1 else 0.0,
        "leaps": float(np.sum(steps > 1.5)),
        "misfit_inside": _misfit_inside(c, start, end),
        "lost_share": mean(~np.isfinite(c.midi)),
    }


def _of_crossing(frames: Frames, c: Candidate) -> dict[str, float]:
    """How long the line itself takes across the interval, and what it loses of its partials and its trust meanwhile."""
    way = (c.midi - c.from_midi) / (c.b - c.from_midi)
    first, last = max(round(c.start), 0), min(round(c.end) + 1, frames.midi.size)
    last = max(last, first + 1)
    near = frames.frames(0.06)
    wide = slice(max(first - near, 0), last + near)
    beside = (slice(max(first - 2 * near, 0), max(first - near // 2, 1)), slice(last + near // 2, last + 2 * near))
    prominence, trust = frames.prominence_db, frames.confidence
    inside = prominence[wide][np.isfinite(prominence[wide])]
    start, end = _crossing(way, 0.1)
    quartiles = _crossing(way, 0.25)
    passed = np.interp(start + np.array([0.25, 0.5, 0.75]) * (end - start), np.arange(way.size), way)
    steepest, place = _steepest(way, start, end)
    return {
        "lowest_midi": min(c.from_midi, c.b),
        "crossing_s": (end - start) * frames.frame_s,
        "quartile_crossing_s": (quartiles[1] - quartiles[0]) * frames.frame_s,
        "way_at_quarter": float(passed[0]),
        "way_at_half": float(passed[1]),
        "way_at_three_quarters": float(passed[2]),
        "steepest": steepest,
        "steepest_place": place,
        "prominence_dip_db": min(_median(prominence, part) for part in beside) - float(inside.min())
        if inside.size
        else float("nan"),
        "trust_dip": min(_median(trust, part) for part in beside) - float(trust[wide].min()),
        "doubt_s": float(np.sum(trust[wide] < DOUBT)) * frames.frame_s,
    }


def _crossing(way: Floats, edge: float) -> tuple[float, float]:
    """Fractional frames where the line last has ``edge`` of the way behind it, and first only as much before it."""
    below = np.flatnonzero(way < edge)
    above = np.flatnonzero(way > 1.0 - edge)
    above = above[above > (below[0] if below.size else -1)]
    if not below.size or not above.size:
        return float("nan"), float("nan")
    end = int(above[0])
    start = int(below[below < end][-1])
    early = (edge - way[start]) / (way[start + 1] - way[start]) if np.isfinite(way[start + 1]) else 0.0
    late = (way[end] - 1.0 + edge) / (way[end] - way[end - 1]) if np.isfinite(way[end - 1]) else 0.0
    return float(start + early), float(end - late)


def _steepest(way: Floats, start: float, end: float) -> tuple[float, float]:
    """Greatest share of the way made within two frames of the crossing, and where in it."""
    if not end > start:
        return float("nan"), float("nan")
    first, last = int(np.floor(start)), int(np.ceil(end))
    made = way[first + 2 : last + 1] - way[first : last - 1]
    made = np.where(np.isfinite(made), made, 0.0)
    if not made.size:
        return 1.0, 0.5
    k = int(np.argmax(made))
    return float(made[k]), float((first + k + 1 - start) / (end - start))


def _of_surroundings(frames: Frames, spans: list[Span], c: Candidate) -> dict[str, float]:
    """How surely the line is followed hereabouts, and how much sounds beside it."""
    reach = frames.frames(NEAR_S)
    first, last = max(round(c.start) - reach, 0), round(c.end) + 1 + reach
    near, inside = slice(first, last), slice(max(round(c.start), 0), round(c.end) + 1)
    trust = frames.confidence[near]
    return {
        "below_sound_db": float(median_of_known(frames.sound_db[inside] - frames.level_db[inside])),
        "below_sound_near_db": float(median_of_known(frames.sound_db[near] - frames.level_db[near])),
        "trust_near": mean(trust),
        "doubtful_near": mean(trust < DOUBT),
        "notes_near": float(
            sum(span.end > first and span.start < last for span in spans[max(c.after - 8, 0) : c.after + 8])
        ),
    }


def _of_second_look(frames: Frames, c: Candidate) -> dict[str, float]:
    """How likely the pitch glides in the candidate and right beside it, by the spectra between both notes."""
    first, last = max(round(c.start), 0), min(round(c.end) + 1, frames.midi.size)
    near = frames.frames(0.1)
    inside = frames.gliding[first : max(last, first + 1)]
    around = frames.gliding[max(first - near, 0) : last + near]
    whole = float(around.sum()) * frames.frame_s
    return {
        "gliding_inside": mean(inside),
        "gliding_most": float(around.max()),
        "gliding_s": whole,
        "gliding_beside_s": whole - float(inside.sum()) * frames.frame_s,
    }


def _misfit_inside(c: Candidate, start: float, end: float) -> float:
    """Mean squared distance of the line from the fitted glide, in units of the fit's, at most 9 a frame."""
    at = np.arange(max(int(np.ceil(start)), 0), min(int(np.floor(end)) + 1, c.midi.size))
    at = at[np.isfinite(c.midi[at])]
    if not at.size:
        return 9.0
    off = (c.midi[at] - c.curve(at.astype(np.float64))) / SIGMA
    return mean(np.minimum(off * off, 9.0))


def _of_notes(frames: Frames, spans: list[Span], c: Candidate) -> dict[str, float]:
    after = spans[c.after]
    before = spans[c.before] if c.before is not None else None
    own = c.b - c.from_midi
    return {
        "before_s": (before.end - before.start) * frames.frame_s if before else float("nan"),
        "after_s": (after.end - after.start) * frames.frame_s,
        "before_spread": _spread(frames, before) if before else float("nan"),
        "after_spread": _spread(frames, after),
        "return_before": _return(spans, c.before, -1, own) if c.before is not None else float("nan"),
        "return_after": _return(spans, c.after, 1, own),
    }


def _spread(frames: Frames, span: Span) -> float:
    return float(spread_of_known(frames.midi[span.start : span.end]))


def _return(spans: list[Span], number: int, way: int, own: float) -> float:
    """The neighbouring interval as a share of this one: -1 where the line goes back, as in a trill."""
    other = number + way
    if not 0 <= other < len(spans):
        return float("nan")
    interval = (spans[other].level - spans[number].level) * way
    return float(np.clip(interval / own, -3.0, 3.0)) if own else 0.0


def _of_sound(frames: Frames, spans: list[Span], c: Candidate) -> dict[str, float]:
    after = spans[c.after]
    first, last = max(round(c.start), 0), min(round(c.end) + 1, frames.midi.size)
    last = max(last, first + 1)
    near = frames.frames(0.1)
    head = slice(max(first - near, 0), max(first, 1))
    tail = slice(last, min(last + near, max(after.end, last + 1)))
    inside = slice(first, last)
    level = frames.level_db
    loud = _median(level, tail if level[tail].size else inside)
    back = level[max(first - frames.frames(0.3), 0) : first + frames.frames(0.02)]
    quiet = float(np.clip(loud - back.min(), -_FAR, _FAR)) if back.size else _FAR
    return {
        "bow_start": bowing.dip_db(level, border=c.start, frame_s=frames.frame_s),
        "bow_end": bowing.dip_db(level, border=c.end, frame_s=frames.frame_s),
        "bow_inside": bowing.dip_db(level, border=0.5 * (c.start + c.end), frame_s=frames.frame_s),
        "level_inside_db": _median(level, inside) - loud,
        "silence_before": quiet,
        "level_change_db": loud - _median(level, head),
        "voiced_before": _median(frames.voiced, head),
        "voiced_inside": mean(frames.voiced[inside]),
        "voiced_after": _median(frames.voiced, tail),
        "trust_inside": mean(frames.confidence[inside]),
        "least_trust": float(np.min(frames.confidence[inside])),
        "trust_before": _trust(frames, spans[c.before]) if c.before is not None else float("nan"),
        "trust_after": _trust(frames, after),
        "trust_change": _median(frames.confidence, tail) - mean(frames.confidence[inside]),
        "prominence_inside_db": _median(frames.prominence_db, inside),
        "prominence_change_db": _median(frames.prominence_db, inside) - _median(frames.prominence_db, tail),
    }


def _trust(frames: Frames, span: Span) -> float:
    return mean(frames.confidence[span.start : span.end])


def _median(values: Floats, part: slice) -> float:
    return float(median_of_known(values[part]))
