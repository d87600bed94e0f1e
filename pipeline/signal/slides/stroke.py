"""Whose bow stroke carries a slide: that of the note before, of the note after, or one stroke both notes.

Players tell a slide on the old bow (the stroke changes when the finger has arrived) from one on the new bow (the
stroke begins with the slide) and one under the slur. Whether there is a new stroke at all is told by ``bowing``; if
there is, the dip of the loudness and the sharp rise after it stand at the beginning of the slide or at its end. How
much each of these counts was learned (``python -m pipeline.training``); both places are taken as equally likely before.
"""

import json
from functools import cache
from pathlib import Path

import numpy as np
from scipy.special import expit

from pipeline.kinds import STROKES
from pipeline.learned_from import check_names
from pipeline.signal.slides import bowing
from pipeline.signal.slides.frames import Frames
from pipeline.units import Floats

WEIGHTS = Path(__file__).with_name("stroke_line.json")
NAMES = ("sound_dip", "line_dip", "sound_rise", "line_rise")
_MOST_DB = 15.0  # deeper dips say no more: what a bow change takes under noise


def signs(frames: Frames, *, start: float, end: float) -> Floats:
    """(len(NAMES),) signs that a new stroke begins with the slide (positive) rather than after it; 0 where unknown.

    ``start`` and ``end`` are the slide's frames. Dips are those at the start less those at the end, in dB; rises say
    where between end (-1) and start (1) the level rises most steeply.
    """
    near = max(2, round(bowing.NEAR_S / frames.frame_s))
    found = []
    for level in (frames.sound_db, frames.level_db):
        at_start, at_end = (bowing.dip_db(level, border=at, frame_s=frames.frame_s) for at in (start, end))
        found.append(np.clip(at_start - at_end, -_MOST_DB, _MOST_DB))
    for level in (frames.sound_db, frames.level_db):
        first = max(round(start) - near, 0)
        rise = (
            level[first + 3 : round(end) + near + 4] - level[first : round(end) + near + 1][: level[first + 3 :].size]
        )
        known = np.isfinite(rise)
        place = first + 1.5 + int(np.argmax(np.where(known, rise, -np.inf))) if known.any() else float("nan")
        found.append(np.clip((0.5 * (start + end) - place) / max(0.5 * (end - start), 1.0), -1.0, 1.0))
    return np.asarray(np.nan_to_num(np.array(found)))


def probabilities(signs_of_slide: Floats, *, rebowed: float) -> tuple[float, float, float]:
    """Probabilities of ``STROKES``, which sum to 1; ``rebowed`` is that of a new stroke between the notes."""
    offset, *weights = _weights(WEIGHTS)
    new = float(expit(offset + float(np.dot(weights, signs_of_slide))))
    return rebowed * (1.0 - new), rebowed * new, 1.0 - rebowed


def named(chances: tuple[float, float, float]) -> str:
    """The likeliest stroke, or ``cannot_tell``."""
    return STROKES[int(np.argmax(chances))] if max(chances) >= bowing.SURE else "cannot_tell"


@cache
def _weights(path: Path) -> tuple[float, ...]:
    record = json.loads(path.read_text(encoding="utf-8"))
    check_names(path, "what tells whose stroke carries a slide", record["signs"], NAMES)
    return tuple(float(x) for x in record["line"])


def forget_weights() -> None:
    """Read the weights anew when next asked: for training, which replaces them."""
    _weights.cache_clear()
