"""How a note begins: with a new bow stroke, under the slur, or one cannot tell.

A bow change shows as a short dip of everything that sounds, and as the sharp rise after it, at the border of two notes
or at either end of a slide between them; under a slur the loudness goes on. The partials of the line dip at any
change of pitch, so they tell little by themselves, and under a piano all is shallower. How much each sign is worth
was learned (``python -m pipeline.training``); the probability is calibrated on sides not learned from.
"""

import math
from functools import cache
from pathlib import Path

import numpy as np
from scipy.special import expit

from pipeline.compiled import compiled, mean, median_of_known, spread_of_known
from pipeline.learned_from import check_names
from pipeline.signal.slides.frames import Frames
from pipeline.signal.slides.trees import Forest, load_forest
from pipeline.units import Floats

NEAR_S = 0.045  # about a border, where a bow change is heard (common practice, no source)
SURE = 0.7  # least probability of what is told of a stroke (common practice, no source)
FAR_S = 0.12  # the held notes beside it (common practice, no source)
WEIGHTS = Path(__file__).with_name("bow_trees.npz")
NAMES = (
    "sound_dip_start",
    "sound_dip_end",
    "line_dip_start",
    "line_dip_end",
    "sharpest_rise",
    "sharpest_bend",
    "least_trust",
    "trust",
    "line_below_sound_db",
    "slide_s",
)


def dip_db(level_db: Floats, *, border: float, frame_s: float) -> float:
    """Depth of the dip of the level at frame ``border``, beyond the unrest of the level beside it; NaN if unknown.

    The lowest level within ``NEAR_S`` of the border is set against the lower of the medians of the ``FAR_S`` on
    either side; one standard deviation of the calmer side is taken off.
    """
    near, far = max(2, round(NEAR_S / frame_s)), max(6, round(FAR_S / frame_s))
    return float(_dip_db(level_db, round(border), near, far))


@compiled()
def _dip_db(level_db, at, near, far):  # type: ignore[no-untyped-def]
    left = level_db[max(at - near - far, 0) : max(at - near, 0)]
    right = level_db[max(at + near, 0) : max(at + near + far, 0)]
    lowest = np.inf
    for level in level_db[max(at - near, 0) : max(at + near + 1, 0)]:
        if math.isfinite(level):
            lowest = min(lowest, level)
    if lowest == np.inf:
        return np.nan
    # As Python's own: of what is not known, the first.
    one, other = median_of_known(left), median_of_known(right)
    calm, calmer = spread_of_known(left), spread_of_known(right)
    return (other if other < one else one) - lowest - (calmer if calmer < calm else calm)


def signs(frames: Frames, *, start: float, end: float) -> Floats:
    """(len(NAMES),) signs of a new stroke between frames ``start`` and ``end``: a border, or the ends of a slide."""
    near = max(2, round(NEAR_S / frames.frame_s))
    first, last = max(round(start) - near, 0), round(end) + near + 1
    sound = frames.sound_db[first:last]
    trust = frames.confidence[first:last]
    rise = float(np.nanmax(np.diff(sound, n=3))) if np.isfinite(sound).sum() > 6 else float("nan")
    bend = float(np.nanmax(-np.diff(sound, n=2))) if np.isfinite(sound).sum() > 6 else float("nan")
    dips = [
        dip_db(level, border=border, frame_s=frames.frame_s)
        for level in (frames.sound_db, frames.level_db)
        for border in (start, end)
    ]
    below = median_of_known(sound) - median_of_known(frames.level_db[first:last])
    return np.array(
        [
            *dips,
            rise,
            bend,
            float(trust.min()) if trust.size else float("nan"),
            mean(trust) if trust.size else float("nan"),
            float(below),
            (end - start) * frames.frame_s,
        ]
    )


def borders(frames: Frames, *, ends: Floats, starts: Floats, slide_bounds: dict[int, tuple[float, float]]) -> Floats:
    """(n, len(NAMES)) signs at the beginnings of n notes.

    Parameters
    ----------
    ends, starts : (n,) frames where the note before ends (NaN for the first) and this one starts.
    slide_bounds : first and last frame of the slide into a note, by the note's number, where there is one.
    """
    rows = np.full((starts.size, len(NAMES)), np.nan)
    for i in range(1, starts.size):
        middle = 0.5 * (ends[i] + starts[i])
        start, end = slide_bounds.get(i, (middle, middle))
        rows[i] = signs(frames, start=start, end=end)
    return rows


@cache
def _weights(path: Path) -> tuple[Forest, float, float]:
    with np.load(path) as held:
        slope, offset = (float(x) for x in held["bow_line"])
        check_names(path, "what tells strokes", held["names"] if "names" in held.files else None, NAMES)
    return load_forest(path, "bow"), slope, offset


def rebowed_probability(rows: Floats, *, path: Path = WEIGHTS) -> Floats:
    """(n,) probability that a new stroke begins, of the signs (n, len(NAMES)) of n borders."""
    if not rows.size:
        return np.zeros(0)
    forest, slope, offset = _weights(path)
    return np.asarray(expit(slope * forest.scores(rows)[:, 0] + offset))


def forget_weights() -> None:
    """Read the weights anew when next asked: for training, which replaces them."""
    _weights.cache_clear()


def begins(probability: float) -> str:
    """``rebowed``, ``slurred`` or ``cannot_tell``."""
    if not np.isfinite(probability) or 1.0 - SURE < probability < SURE:
        return "cannot_tell"
    return "rebowed" if probability >= SURE else "slurred"
