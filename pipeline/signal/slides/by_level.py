"""What levels say of notes that the pitch alone has cut: some are two strokes, some are no notes.

The pitch does not move where a note is struck again; the sound dips and rises sharply, as ``bowing`` knows it from
borders of notes. Vibrato and beating partials make levels swing as deep, but smoothly. And on the way from one note to
the next the line may rest for a moment on what a leaving finger, an arriving one or a string that rings lets through,
well under both.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from pipeline.compiled import compiled, median_of_known
from pipeline.signal.slides import bowing
from pipeline.signal.slides.frames import Frames
from pipeline.signal.slides.notes import Span
from pipeline.units import Floats

DIP_DB = 6.0
"""Least depth of the dip between two strokes, under the lower of the highest levels on either side."""
DEEP_DB = 12.0
"""A stroke that is likelier than not is taken for one where the dip is so deep: detached cello notes of one pitch, with
gaps of 40 ms, dip by 20 dB and more, and ``bowing``, which knows changes of pitch, is but .5 to .65 sure of them."""
STANDS_OUT = 2.0
"""How many times as deep, in dB, as all other dips of the note those of strokes are. On rendered sides with uneven
tones seven of ten cuts within a note had another dip more than half as deep, on real repeated notes none of eleven."""
IN_BOTH = 0.25
"""Least probability of a stroke where the only dip of a note is short and as deep in the line's own partials: on real
violins 16 of 16 such are repeated notes, with probabilities from .27 up. On 48 rendered sides without such notes there
are eight; unevenness of a tone and beating partials move either the line or the whole."""
AS_DEEP = 0.95  # times as deep in the line: it lacks the noise that fills the dip of the whole
NEAR_S, SHORT_DIP_S = 0.035, 0.1
"""How far apart the two may be, and the greatest width of the dip at half its depth."""
SHORTEST_STROKE_S = 0.06  # about the tracker's window (common practice, no source)
SMOOTHED_FRAMES = 3
"""Frames over which a level is taken (common practice, no source)."""
PASSING_S = 0.06
"""Greatest length of what only passes; real notes of trills and turns are shorter than .06 s, but then not soft."""
UNDER_BOTH_DB = 8.0
"""Least drop under both neighbours. On real solo violin 13 of 18 notes of up to 0.06 s that are in no score lie so far
under both, and of 13 that are in one none."""


def by_level(frames: Frames, held: list[Span]) -> list[Span]:
    """The notes without what only passes between two, each cut where a new stroke surely begins within it."""
    return [part for span in _without_passing(frames, held) for part in _strokes(frames, span)]


def _without_passing(frames: Frames, held: list[Span]) -> list[Span]:
    levels = [median_of_known(frames.level_db[span.start : span.end]) for span in held]
    passing = {
        i
        for i, span in enumerate(held[1:-1], start=1)
        if (span.end - span.start) * frames.frame_s <= PASSING_S
        and held[i - 1].region == span.region == held[i + 1].region
        and levels[i] <= min(levels[i - 1], levels[i + 1]) - UNDER_BOTH_DB
    }
    return [span for i, span in enumerate(held) if i not in passing]


def _strokes(frames: Frames, span: Span) -> list[Span]:
    shortest = frames.frames(SHORTEST_STROKE_S)
    if span.end - span.start < 2 * shortest:
        return [span]
    sound = _smoothed(frames.sound_db, span)
    depth = _depths(sound)
    dips = np.flatnonzero(depth >= 0.5 * DIP_DB)
    dips = dips[(dips >= shortest) & (dips <= sound.size - shortest)]
    depth, dips = depth[dips], dips + span.start
    if not (depth >= DIP_DB).any():
        return [span]
    signs = np.array([bowing.signs(frames, start=float(at), end=float(at)) for at in dips])
    least = np.where(depth >= DEEP_DB, 0.5, bowing.SURE)
    if dips.size == 1 and _in_the_line_too(frames, span, sound, at=int(dips[0]) - span.start, depth=float(depth[0])):
        least = np.array([IN_BOTH])
    struck = (depth >= DIP_DB) & (bowing.rebowed_probability(signs) >= least)
    if not struck.any() or depth[struck].min() < STANDS_OUT * depth[~struck].max(initial=0.0):
        return [span]
    cuts = pairwise([span.start, *(int(at) for at in dips[struck]), span.end])
    return [replace(span, start=a, end=b, level=median_of_known(frames.midi[a:b])) for a, b in cuts]


def _smoothed(level_db: Floats, span: Span) -> Floats:
    return np.asarray(uniform_filter1d(level_db[span.start : span.end], SMOOTHED_FRAMES, mode="nearest"))


def _in_the_line_too(frames: Frames, span: Span, sound: Floats, *, at: int, depth: float) -> bool:
    """Whether the dip of all sound (n,) at frame ``at`` of the note is short, and as deep in the line's partials."""
    near = frames.frames(NEAR_S)
    high = np.flatnonzero(sound >= sound[at] + 0.5 * depth)
    width = high[high > at].min() - high[high < at].max()
    in_line = _depths(_smoothed(frames.level_db, span))[max(at - near, 0) : at + near + 1].max()
    return bool(width <= frames.frames(SHORT_DIP_S) and in_line >= max(DIP_DB, AS_DEEP * depth))


@compiled()
def _depths(sound: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """How deep each dip of a level (n,) in dB lies under the lower of the highest levels on either side, (n,).

    A side ends where the level is lower than in the dip; 0 where none is: the prominence of a peak, turned over.
    """
    n = sound.size
    depth = np.zeros(n)
    for i in range(1, n - 1):
        if not sound[i] < sound[i - 1] or sound[i] > sound[i + 1]:
            continue
        left, right = sound[i], sound[i]
        j = i - 1
        while j >= 0 and sound[j] >= sound[i]:
            left = max(left, sound[j])
            j -= 1
        j = i + 1
        while j < n and sound[j] >= sound[i]:
            right = max(right, sound[j])
            j += 1
        depth[i] = min(left, right) - sound[i]
    return depth
