"""Where a slide starts and ends: nominally, and so that it can be heard.

Nominal bounds are the ends of the fitted glide (``glide_fit``). Audible bounds are where it has left the first pitch by
10 % of the interval, and where it first comes to within 10 % of the second.
"""

from typing import NamedTuple

import numpy as np

from pipeline.signal.slides.candidates import Candidate

LEFT, ARRIVED = 0.1, 0.9  # shares of the interval (common practice, no source)
_STEP = 0.02  # frames, far finer than a frame of 5.8 ms


class Bounds(NamedTuple):
    """Nominal and audible bounds of a slide, in fractional frames of its candidate's window."""

    start: float
    end: float
    audible_start: float
    audible_end: float


def bounds(candidate: Candidate) -> Bounds:
    """Bounds of a candidate, read as its own model."""
    start, end = float(candidate.fit.start[candidate.model]), float(candidate.fit.end[candidate.model])
    a, b = candidate.from_midi, candidate.b
    at = np.append(np.arange(start, end, _STEP), end + 1e-6)
    way = (candidate.curve(at) - a) / (b - a)
    way[-1] = 1.0
    return Bounds(start, end, float(at[int(np.argmax(way >= LEFT))]), float(at[int(np.argmax(way >= ARRIVED))]))
