"""Loudness of a planned solo on a grid of true times: strokes of the bow, level, and what slides lose of it."""

from dataclasses import dataclass

import numpy as np

from pipeline.signal.synth.curve import glide, slide_into, wander
from pipeline.signal.synth.manner import PLAIN, Manner
from pipeline.signal.synth.plan import Plan, PlannedSlide
from pipeline.units import Floats, gain_of_db

MOVED_PARTIALS = 12
"""Partials that are given a course of their own within slides; those above move with the last."""
_REST_S = 0.2  # a longer pause begins a new phrase (common practice, no source)
_DULL_DB, _DULLEST_DB = 1.5, 8.0  # what partials lose within a slide: see recovery.planting
# How much and how fast single partials waver within slides (common practice, no source).
_PARTIAL_DB, _PARTIAL_HZ = 4.0, 10.0


@dataclass(frozen=True)
class Loudness:
    """Curves on a grid of true times (n,): the ``stroke``'s envelope (0 to 1), ``level_db``, and bow ``burst``.

    The envelope is that of strokes alone; where it is below 0.05 the solo does not sound. ``partials`` (n,
    ``MOVED_PARTIALS``) are linear gains of single partials, (n, 0) where all go together.
    """

    stroke: Floats
    level_db: Floats
    burst: Floats
    partials: Floats


def loudness(
    plan: Plan,
    true_s: Floats,
    *,
    attack_s: float,
    release_s: float,
    rng: np.random.Generator,
    manner: Manner = PLAIN,
) -> Loudness:
    """Loudness of the solo at true times (n,)."""
    into = slide_into(plan)
    begins = [into[i].start_s if i in into else note.start_s for i, note in enumerate(plan.notes)]
    stroke, level = _strokes(plan, true_s, begins, attack_s, release_s, rng, manner)
    burst = _bow_changes(plan, true_s, begins, stroke, level, rng, manner)
    partials = np.ones((true_s.size, MOVED_PARTIALS if manner.deep_slides else 0))
    for slide in plan.slides:
        _fall(slide, true_s, level, partials, rng)
    width = max(3, int(0.05 / (true_s[1] - true_s[0])) | 1)
    smooth = np.convolve(np.pad(level, width // 2, mode="edge"), np.full(width, 1.0 / width), mode="valid")
    return Loudness(np.clip(stroke, 0.0, 1.0), smooth, burst, partials)


def _strokes(
    plan: Plan,
    true_s: Floats,
    begins: list[float],
    attack_s: float,
    release_s: float,
    rng: np.random.Generator,
    manner: Manner,
) -> tuple[Floats, Floats]:
    """Envelope of what is played between rests, and the level of each note."""
    stroke = np.zeros(true_s.size)
    level = np.zeros(true_s.size)
    group_start = 0
    for i, note in enumerate(plan.notes):
        a, b = np.searchsorted(true_s, (begins[i], note.end_s + release_s))
        u = np.clip((true_s[a:b] - begins[i]) / max(note.end_s - begins[i], 1e-3), 0.0, 1.0)
        level[a:b] = note.level_db + float(rng.uniform(-1.0, 2.5)) * np.sin(np.pi * u)
        last = i + 1 == len(plan.notes) or begins[i + 1] - note.end_s > 1e-6
        if last:
            start, end = begins[group_start], note.end_s
            rested = not group_start or start - plan.notes[group_start - 1].end_s > _REST_S
            usual_s = manner.rest_attack_s if manner.rest_attack_s and rested else attack_s
            a, b = np.searchsorted(true_s, (start, end + release_s))
            at = true_s[a:b]
            rise = glide("cosine", (at - start) / (usual_s * float(rng.uniform(0.6, 1.5))))
            fall = glide("cosine", (end + release_s - at) / release_s)
            stroke[a:b] = np.maximum(stroke[a:b], np.minimum(rise, fall))
            group_start = i + 1
    return stroke, level


def _bow_changes(
    plan: Plan,
    true_s: Floats,
    begins: list[float],
    stroke: Floats,
    level: Floats,
    rng: np.random.Generator,
    manner: Manner,
) -> Floats:
    """Cut the dips of bow changes into ``stroke``, those of slurred changes into ``level``; gives the bow's noise.

    The noise is what it is at strokes, less what it is in the note, as a share of the latter.
    """
    burst = np.zeros(true_s.size)
    tail_s = 5.0 * manner.burst_s
    for i, note in enumerate(plan.notes):
        joined = i > 0 and begins[i] - plan.notes[i - 1].end_s < 1e-6
        if note.slurred:
            if joined and begins[i] == note.start_s and manner.slur_dip_db[1]:
                depth, width = float(rng.uniform(*manner.slur_dip_db)), float(rng.uniform(0.01, 0.03))
                a, b = np.searchsorted(true_s, (note.start_s - 4 * width, note.start_s + 4 * width))
                stroke[a:b] *= gain_of_db(-depth * np.exp(-(((true_s[a:b] - note.start_s) / width) ** 2)))
            continue
        bow = note.start_s if note.bow_s is None else note.bow_s
        depth, width = float(rng.uniform(0.4, 0.95)), float(rng.uniform(0.008, 0.025))
        a, b = np.searchsorted(true_s, (bow - 4 * width, bow + tail_s))
        if joined:
            stroke[a:b] *= 1.0 - depth * np.exp(-(((true_s[a:b] - bow) / width) ** 2))
        louder = 1.0 if joined else manner.rest_burst / manner.burst
        burst[a:b] += louder * np.where(true_s[a:b] >= bow, np.exp(-(true_s[a:b] - bow) / manner.burst_s), 0.0)
    return manner.burst * np.clip(burst, 0.0, max(1.0, manner.rest_burst / manner.burst))


def _fall(slide: PlannedSlide, true_s: Floats, level: Floats, partials: Floats, rng: np.random.Generator) -> None:
    """What a slide loses of its level, and of its partials where they have courses of their own."""
    a, b = np.searchsorted(true_s, (slide.start_s, slide.end_s))
    u = (true_s[a:b] - slide.start_s) / (slide.end_s - slide.start_s)
    fall_db = float(rng.uniform(0.0, 6.0))
    if partials.shape[1] and b > a:
        semitones = slide.to_midi - slide.from_midi
        fall_db += float(np.clip(rng.normal(1.0 + 0.8 * abs(semitones), 3.5), 0.0, 16.0)) + 2.0 * (semitones < 0)
        lowest = float(np.clip(rng.beta(2.0, 2.0), 0.05, 0.95))
        u = np.where(u < lowest, 0.5 * u / lowest, 0.5 + 0.5 * (u - lowest) / (1.0 - lowest))
        within = np.sin(np.pi * u)
        above = np.arange(MOVED_PARTIALS)
        moved = np.stack([wander(rng, true_s[a:b], rate_hz=_PARTIAL_HZ) for _ in above], axis=1)
        gain_db = _PARTIAL_DB * moved * within[:, None]
        gain_db -= np.minimum(_DULL_DB * above, _DULLEST_DB) * within[:, None] ** 2
        partials[a:b] *= gain_of_db(gain_db)
    level[a:b] -= fall_db * np.sin(np.pi * u) ** 2
