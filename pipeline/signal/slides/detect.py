"""Finds notes, the transitions between them, and the slides among the transitions.

Every pair of neighbouring notes is tested: the best slide against the best account without one (a step, or a
grace note between two steps); so is every note that comes out of silence. Where no slide is claimed the transition
stands as a chance that was not taken.

Deviation from the literature: bounds are those of the fitted glide, not of a slope threshold, so vibrato beside a
slide neither lengthens nor splits it.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from scipy.special import logit

from pipeline.kinds import likeliest_named
from pipeline.signal.slides import approach, bowing, learned, rules, stroke
from pipeline.signal.slides.by_level import by_level
from pipeline.signal.slides.candidates import LEAST_INTERVAL, Candidate, candidates
from pipeline.signal.slides.features import NAMES, features
from pipeline.signal.slides.frames import Frames, Line, TimeMap, prepare
from pipeline.signal.slides.glide_fit import ARRIVING, DEPARTING, MODEL_OF_KIND
from pipeline.signal.slides.measures import Slide, measure_slide
from pipeline.signal.slides.notes import Note, Span, find_spans, measure_note
from pipeline.signal.slides.ringing import without_ringing
from pipeline.signal.slides.rules import Judgement
from pipeline.units import Floats, ms_of_s

Acceptance = Literal["learned", "rules"]
CHANCE_GAP_S = 0.25  # notes further apart are no chance to slide (common practice, no source)
QUICK_S = 0.06  # a shorter glide is quick (judgement)
QUICK_ODDS = 1.0 / 8.0
"""Of a glide so quick, where it may be something else that training sides do not hold, against the odds on them: of 641
claims on rendered sides 12 are such, of 35 in 620 s of real violins' quick notes 13, one of them a slide by eye."""
SMALL = 2.0
"""Semitones of a larger step: a finger that leaves draws the string aside, and a note may begin a little off."""
HOLE_DB = 23.0
"""Depth of a hole between two strokes, in which a string rings: the tone of 69 quick slides on rendered sides falls by
.9 to 19 dB, at most by 22.8; in three holes between real notes it fell by 24 to 46."""
_DURATION, _DIP = NAMES.index("duration_s"), NAMES.index("prominence_dip_db")


@dataclass(frozen=True)
class Transition:
    """Two neighbouring notes, by their numbers in ``Detection.notes``.

    ``exposure`` is True where the pair counts as a chance to slide: at least half a semitone apart and no longer
    rest than a quarter of a second between them. ``slide_score`` is the log odds that a slide stands on it, NaN where
    nothing lies between the notes that could be one.
    """

    from_note: int
    to_note: int
    interval_cents: float
    gap_ms: float
    slurred_probability: float
    exposure: bool
    slide_score: float


@dataclass(frozen=True)
class Detection:
    """All that was found in one transfer, in time order; ``ringing``: seconds in which the line only rings."""

    notes: tuple[Note, ...]
    transitions: tuple[Transition, ...]
    slides: tuple[Slide, ...]
    ringing: tuple[tuple[float, float], ...]


def find_notes_and_slides(
    line: Line,
    *,
    speed_map: TimeMap,
    reference_pitch_hz: float,
    spans: list[tuple[float, float]] | None,
    acceptance: Acceptance = "learned",
    least_confidence: float = learned.LEAST_CONFIDENCE,
) -> Detection:
    """Notes, transitions and slides of one transfer.

    Parameters
    ----------
    line : the melody tracker's output in raw transfer time.
    speed_map : the speed correction.
    reference_pitch_hz : A4 of the take.
    spans : transfer seconds of solo playing; None for the whole transfer.
    acceptance : who decides what is a slide: learned trees, or plain rules.
    least_confidence : slides less sure than this are not given; rules have thresholds of their own besides.
    """
    if np.size(line.time_s) < 2:
        return Detection((), (), (), ())
    frames = prepare(line, speed_map=speed_map, reference_pitch_hz=reference_pitch_hz, spans=spans)
    heard = without_ringing(frames, find_spans(frames))
    frames = heard.frames
    notes_held = by_level(frames, heard.held)
    held, slides, begins, scores = _slides(frames, notes_held, acceptance=acceptance, least_confidence=least_confidence)
    rebowed = bowing.rebowed_probability(_signs(frames, held, slides))
    fresh = [i == 0 or _gap_s(frames, held[i - 1], span) > CHANCE_GAP_S for i, span in enumerate(held)]
    rebowed = np.where(fresh, 1.0, rebowed)
    notes = [
        measure_note(span, frames, approach=off, begins=bowing.begins(float(p)), rebowed_probability=float(p))
        for span, off, p in zip(held, begins, rebowed, strict=True)
    ]
    transitions = [
        _transition(frames, a, b, i + 1, float(rebowed[i + 1]), scores.get(i + 1, float("nan")))
        for i, (a, b) in enumerate(pairwise(held))
    ]
    carried = [_with_stroke(frames, slide, float(rebowed[slide.to_note])) for slide in slides]
    ringing = tuple((frames.transfer_at(a - 0.5), frames.transfer_at(b - 0.5)) for a, b in heard.ringing)
    return Detection(tuple(notes), tuple(transitions), tuple(carried), ringing)


def _slides(
    frames: Frames, held: list[Span], *, acceptance: Acceptance, least_confidence: float
) -> tuple[list[Span], list[Slide], list[tuple[float, float]], dict[int, float]]:
    """What is found, and of every candidate how likely it was.

    Returns
    -------
    The notes that remain; the slides with their numbers; the approaches (cents, s) of notes without a slide; the log
    odds of the likeliest slide into a note from the note before, by the number of the note.
    """
    found = candidates(frames, held)
    values = np.array([features(frames, held, candidate) for candidate in found])
    by_rules = [rules.judge(row, c.fit, c.model) for row, c in zip(values, found, strict=True)]
    judged = learned.judge(values) if acceptance == "learned" else by_rules
    likely = [
        k for k in _without_conflict(found, judged) if judged[k].accepted and judged[k].confidence >= least_confidence
    ]
    read = {k: found[k].with_model(MODEL_OF_KIND[likeliest_named(judged[k].kinds)]) for k in likely}
    glides = [approach.smallest_glide(read[k]) for k in likely]
    begins = approach.approaches(frames, held)
    finger = approach.finger_probabilities(glides, held, begins)
    doubted = [
        values[k, _DURATION] < QUICK_S and (values[k, _DIP] > HOLE_DB or _is_small_part(read[k])) for k in likely
    ]
    alone = [_at_odds(judged[k].confidence, QUICK_ODDS if d else 1.0) for k, d in zip(likely, doubted, strict=True)]
    sure = {k: confidence * float(p) for k, confidence, p in zip(likely, alone, finger, strict=True)}
    taken = [k for k in likely if sure[k] >= least_confidence]
    passed = {found[k].passed for k in taken} - {None}
    number = np.cumsum([i not in passed for i in range(len(held))]) - 1
    slides = []
    for k in taken:
        before = None if read[k].before is None else int(number[read[k].before])
        slides.append(
            measure_slide(
                frames,
                replace(read[k], before=before, after=int(number[read[k].after])),
                kinds=judged[k].kinds,
                confidence=sure[k],
                flags=() if by_rules[k].accepted else ("rules_disagree",),
            )
        )
    scores: dict[int, float] = {}
    for k, candidate in enumerate(found):
        if candidate.before is not None and candidate.after not in passed and candidate.before not in passed:
            into = int(number[candidate.after])
            if number[candidate.before] == into - 1:
                scores[into] = max(scores.get(into, -np.inf), _log_odds(sure.get(k, judged[k].confidence)))
    left = [i for i in range(len(held)) if i not in passed]
    slid = {found[k].after for k in taken}
    own = [None if i in slid else begins[i] for i in left]
    unknown = (float("nan"), float("nan"))
    return [held[i] for i in left], slides, [unknown if b is None else (b.cents, b.seconds) for b in own], scores


def _is_small_part(candidate: Candidate) -> bool:
    """Whether it glides over a small part of its step, beside one of the two notes."""
    low, high = candidate.glide
    return candidate.model in (DEPARTING, ARRIVING) and abs(high - low) < SMALL


def _at_odds(probability: float, factor: float) -> float:
    """The probability whose odds are so many times as great."""
    return factor * probability / (1.0 + (factor - 1.0) * probability)


def _without_conflict(found: list[Candidate], judged: list[Judgement]) -> list[int]:
    """Numbers of the candidates left when of each reading past a note and the two within only the surer stay."""
    kept = set(range(len(found)))
    for k, candidate in enumerate(found):
        if candidate.passed is None:
            continue
        rivals = [j for j, c in enumerate(found) if j in kept and candidate.passed in (c.before, c.after)]
        rivals += [j for j in kept if j != k and found[j].passed in (candidate.before, candidate.after)]
        best = max((judged[j].confidence for j in rivals), default=0.0)
        kept -= {k} if judged[k].confidence <= best else set(rivals)
    return sorted(kept)


def _log_odds(probability: float) -> float:
    sure = min(max(probability, 1e-9), 1.0 - 1e-9)
    return float(logit(sure))


def _transition(frames: Frames, a: Span, b: Span, number: int, rebowed: float, score: float) -> Transition:
    gap_s = _gap_s(frames, a, b)
    interval = b.level - a.level
    return Transition(
        from_note=number - 1,
        to_note=number,
        interval_cents=100.0 * interval,
        gap_ms=ms_of_s(gap_s),
        slurred_probability=1.0 - rebowed,
        exposure=abs(interval) >= LEAST_INTERVAL and gap_s <= CHANCE_GAP_S,
        slide_score=score,
    )


def _with_stroke(frames: Frames, slide: Slide, rebowed: float) -> Slide:
    """The slide with whose stroke carries it; one out of silence is carried by the note's own."""
    start, end = (frames.frame_at(t) for t in (slide.transfer_start_s, slide.transfer_end_s))
    chances = (0.0, 1.0, 0.0)
    if slide.from_note is not None:
        chances = stroke.probabilities(stroke.signs(frames, start=start, end=end), rebowed=rebowed)
    return replace(slide, stroke=stroke.named(chances), strokes=chances)


def _gap_s(frames: Frames, a: Span, b: Span) -> float:
    return max(b.start - a.end, 0) * frames.frame_s if a.region != b.region else 0.0


def _signs(frames: Frames, held: list[Span], slides: list[Slide]) -> Floats:
    """Signs of a new stroke at the beginning of each note."""
    ends = np.array([np.nan, *(span.end for span in held[:-1])], dtype=np.float64)
    starts = np.array([span.start for span in held], dtype=np.float64)
    bounds = {
        slide.to_note: (frames.frame_at(slide.transfer_start_s), frames.frame_at(slide.transfer_end_s))
        for slide in slides
    }
    return bowing.borders(frames, ends=ends, starts=starts, slide_bounds=bounds)


def signs_of_notes(frames: Frames, notes: tuple[Note, ...], slides: tuple[Slide, ...]) -> Floats:
    """Signs of a new stroke at the beginning of each note of a detection, for learning what they are worth."""
    held = [
        Span(
            round(frames.frame_at(n.transfer_start_s) + 0.5), round(frames.frame_at(n.transfer_end_s) + 0.5), n.midi, 0
        )
        for n in notes
    ]
    return _signs(frames, held, list(slides))
