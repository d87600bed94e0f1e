"""From a plan to curves on a grid of true times: the solo's pitch without vibrato, vibrato, and loudness.

A slide is drawn in one of four shapes. A departing_finger glides over its whole duration and steps at its end; an
arriving_finger steps at its start; a two_finger slide steps when the glide reaches the break.
"""

import numpy as np
from scipy.special import expit

from pipeline.kinds import Kind
from pipeline.signal.synth.manner import PLAIN, Manner
from pipeline.signal.synth.plan import Plan, PlannedNote, PlannedSlide
from pipeline.units import Floats

GLIDES = ("linear", "cosine", "logistic", "settling")
# Of the logistic glide, from 2 to 98 % (Yang, Chew and Rajab 2015 for the shape; the number: no source).
_STEEPNESS = 8.0


def glide(shape: str, u: Floats, *, settling: float = 1.6) -> Floats:
    """Share of the way (0 to 1) at the share of time ``u`` (n,), for a shape of ``GLIDES``."""
    u = np.asarray(np.clip(u, 0.0, 1.0), dtype=np.float64)
    if shape == "linear":
        return u
    if shape == "cosine":
        return 0.5 - 0.5 * np.cos(np.pi * u)
    if shape == "logistic":
        low = expit(-_STEEPNESS / 2)
        return np.asarray((expit(_STEEPNESS * (u - 0.5)) - low) / (1.0 - 2.0 * low))
    if shape == "settling":
        return np.asarray(1.0 - (1.0 - u) ** settling)
    raise ValueError(f"shape {shape!r}: use one of {', '.join(GLIDES)}")


def slide_midi(slide: PlannedSlide, true_s: Floats) -> Floats:
    """Pitch of a slide at true times (n,); constant before and after."""
    u = (np.asarray(true_s) - slide.start_s) / (slide.end_s - slide.start_s)
    way = glide(slide.shape, u, settling=slide.settling)
    start, end = slide.from_midi, slide.to_midi
    step_from, step_to = slide.step_from_midi, slide.step_to_midi
    if step_from is None or step_to is None:
        return start + (end - start) * way
    travel = (step_from - start) + (end - step_to)
    share = (step_from - start) / travel if travel else 0.0
    pitch = start + travel * way
    after = (
        way > share
        if slide.kind == Kind.TWO_FINGER
        else (u >= 1.0 if slide.kind == Kind.DEPARTING_FINGER else u >= 0.0)
    )
    return np.asarray(np.where(after, pitch + (step_to - step_from), pitch))


def audible_bounds(slide: PlannedSlide) -> tuple[float, float]:
    """True times in s at which 10 and 90 % of the interval are first passed, to a ten-thousandth of the slide."""
    grid = np.linspace(slide.start_s, slide.end_s, 10_001)
    way = (slide_midi(slide, grid) - slide.from_midi) / (slide.to_midi - slide.from_midi)
    way[-1] = 1.0
    return float(grid[int(np.argmax(way >= 0.1))]), float(grid[int(np.argmax(way >= 0.9))])


def slide_into(plan: Plan) -> dict[int, PlannedSlide]:
    """The slide that leads into a note, by the note's index."""
    return {slide.to_note: slide for slide in plan.slides}


def pitch_curve(plan: Plan, true_s: Floats, *, double: bool = False) -> Floats:
    """Pitch (MIDI, without vibrato) at increasing true times (n,), carried on through silences.

    With ``double`` the other notes of double stops instead, NaN where there are none.
    """
    notes = plan.notes
    starts = np.searchsorted(true_s, [note.start_s for note in notes])
    midi = np.full(true_s.size, np.nan)
    if double:
        ends = np.searchsorted(true_s, [note.end_s for note in notes])
        for note, a, b in zip(notes, starts, ends, strict=True):
            if note.double_midi is not None:
                midi[a:b] = note.double_midi
        return midi
    midi[:] = notes[0].midi if notes else 69.0
    into = slide_into(plan)
    for i, note in enumerate(notes):
        midi[starts[i] :] = note.midi
        if note.approach_s > 0:
            b = int(np.searchsorted(true_s, note.start_s + note.approach_s))
            midi[starts[i] : b] = _beginning(note, true_s[starts[i] : b])
        if i and i not in into and note.start_s - notes[i - 1].end_s < 1e-6:
            _change(midi, true_s, notes[i - 1].midi, note)
    for slide in plan.slides:
        a, b = np.searchsorted(true_s, (slide.start_s, slide.end_s))
        midi[a:b] = slide_midi(slide, true_s[a:b])
    return midi


def _change(midi: Floats, true_s: Floats, before: float, note: PlannedNote) -> None:
    half = note.change_s / 2
    a, b = np.searchsorted(true_s, (note.start_s - half, note.start_s + half))
    u = (true_s[a:b] - note.start_s + half) / note.change_s
    midi[a:b] = before + (_beginning(note, true_s[a:b]) - before) * glide("cosine", u)


def _beginning(note: PlannedNote, true_s: Floats) -> Floats:
    """Pitch of a note at times (n,) about its beginning: its own, or what it begins with on the way there."""
    if note.approach_s <= 0:
        return np.full(true_s.size, note.midi)
    left = 1.0 - glide("cosine", (true_s - note.start_s) / note.approach_s)
    return np.asarray(note.midi + note.approach_cents / 100.0 * left)


def wander(rng: np.random.Generator, true_s: Floats, *, rate_hz: float) -> Floats:
    """Slow random movement of unit spread at times (n,): random knots, joined smoothly."""
    count = int((true_s[-1] - true_s[0]) * rate_hz) + 3
    knots = rng.normal(0.0, 1.0, size=count)
    at = (true_s - true_s[0]) * rate_hz
    i = at.astype(np.int64)
    return np.asarray(knots[i] + (knots[i + 1] - knots[i]) * glide("cosine", at - i))


def vibrato_cents(plan: Plan, true_s: Floats, *, rng: np.random.Generator, manner: Manner = PLAIN) -> Floats:
    """Vibrato in cents at true times (n,): grows into each note, fades at its end, uneven from cycle to cycle."""
    rate = np.full(true_s.size, 6.0)
    extent = np.zeros(true_s.size)
    for note in plan.notes:
        if note.vibrato_cents <= 0:
            continue
        a, b = np.searchsorted(true_s, (note.start_s, note.end_s))
        at = true_s[a:b]
        rise = float(rng.uniform(*manner.vibrato_rise_s))
        grown = (at - note.start_s) / rise
        if manner.vibrato_at_once:
            grown += (1.0 - grown) * float(rng.uniform(0.0, manner.vibrato_at_once)) * (grown < 1.0)
        window = np.minimum(grown, (note.end_s - at) / 0.05)
        extent[a:b] = note.vibrato_cents * np.clip(window, 0.0, 1.0)
        rate[a:b] = note.vibrato_hz
    rate = rate * (1.0 + 0.08 * wander(rng, true_s, rate_hz=6.0))
    extent = extent * np.clip(1.0 + manner.vibrato_unrest * wander(rng, true_s, rate_hz=6.0), 0.2, 2.0)
    phase = np.cumsum(rate * np.gradient(true_s)) * 2.0 * np.pi + rng.uniform(0.0, 2.0 * np.pi)
    return np.asarray(extent * np.sin(phase))
