"""Cuts a pitch line into plateaus (held notes) and glides: the cheapest of all possible partitions.

A plateau costs its squared distance from its own mean, a glide its squared distance from the best straight
line; each new piece costs a fixed amount. The minimum over every partition is found by dynamic programming
(Bellman 1961, segmented least squares), so that no threshold on slope decides where a note ends.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, median_of_known
from pipeline.units import Floats

PLATEAU_SIGMA = 0.30
"""Semitones that a held note may wander: vibrato up to about +-40 cents stays one plateau."""
GLIDE_SIGMA = 0.15  # semitones that a frame may lie off a straight glide (common practice, no source)
PLATEAU_COST = 12.0  # in squared sigma, for a new note (common practice, no source)
GLIDE_COST = 8.0  # in squared sigma, for a new glide (common practice, no source)
PLATEAU_CAP_PER_FRAME = 6.0  # so that one wrong frame does not cut a note (common practice, no source)
NEARLY_EQUAL = 1e-6  # in squared sigma: ways that differ by less are kept, whatever rounding does to them
GLIDE_RISE = 0.5
"""Semitones; less is wandering within a note."""


@dataclass(frozen=True)
class Piece:
    """Frames ``start`` to ``end`` (exclusive) of the line; ``rise`` in semitones, 0 for a plateau."""

    glide: bool
    start: int
    end: int
    level: float
    rise: float

    @property
    def length(self) -> int:
        """Number of frames."""
        return self.end - self.start


@compiled()
def _best_cuts(
    y: npt.NDArray[np.float64], plateau_min: int, plateau_max: int, glide_min: int, glide_max: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    n = y.size
    s1, s2, st, best = np.empty(n + 1), np.empty(n + 1), np.empty(n + 1), np.empty(n + 1)
    cut, is_glide = np.empty(n + 1, dtype=np.int64), np.empty(n + 1, dtype=np.bool_)
    s1[0], s2[0], st[0], best[0] = 0.0, 0.0, 0.0, 0.0
    for i in range(n):
        s1[i + 1] = s1[i] + y[i]
        s2[i + 1] = s2[i] + y[i] * y[i]
        st[i + 1] = st[i] + i * y[i]
        best[i + 1], cut[i + 1], is_glide[i + 1] = np.inf, 0, False
    glide_weight = 1.0 / (GLIDE_SIGMA * GLIDE_SIGMA)
    plateau_weight = 1.0 / (PLATEAU_SIGMA * PLATEAU_SIGMA)
    # Starts of plateaus not given up, and from which end on each is (Killick and others 2012, "PELT", JASA 107): one
    # from which the way here is dearer than the best one here serves no later end that a plateau reaches from here.
    starts, given_up, way = np.empty(n + 1, dtype=np.int64), np.empty(n + 1, dtype=np.int64), np.empty(n + 1)
    held = 0
    for end in range(1, n + 1):
        low = best[end]
        if end >= plateau_min:
            starts[held], given_up[end - plateau_min] = end - plateau_min, n + 1
            held += 1
        kept = 0
        for i in range(held):
            if end < given_up[starts[i]] and end - starts[i] <= plateau_max:
                starts[kept] = starts[i]
                kept += 1
        held = kept
        for i in range(held - 1, -1, -1):
            start = starts[i]
            length = end - start
            a = s1[end] - s1[start]
            spread = max(s2[end] - s2[start] - a * a / length, 0.0)
            way[i] = best[start] + min(spread * plateau_weight, PLATEAU_CAP_PER_FRAME * length)
            if way[i] + PLATEAU_COST < low:
                low = way[i] + PLATEAU_COST
                cut[end] = start
                is_glide[end] = False
        for length in range(glide_min, min(glide_max, end) + 1):
            start = end - length
            if best[start] + GLIDE_COST >= low:
                continue
            a = s1[end] - s1[start]
            spread = s2[end] - s2[start] - a * a / length
            cross = (st[end] - st[start]) - (start + 0.5 * (length - 1)) * a
            moment = length * (length * length - 1.0) / 12.0
            if abs(cross / moment) * (length - 1) < GLIDE_RISE:
                continue
            cost = max(spread - cross * cross / moment, 0.0) * glide_weight
            total = best[start] + cost + GLIDE_COST
            if total < low:
                low = total
                cut[end] = start
                is_glide[end] = True
        best[end] = low
        for i in range(held):
            if way[i] > low + NEARLY_EQUAL:
                given_up[starts[i]] = min(given_up[starts[i]], end + plateau_min)
    return cut, is_glide


def partition(semitones: Floats, *, plateau_min: int, plateau_max: int, glide_min: int, glide_max: int) -> list[Piece]:
    """The cheapest partition of one unbroken stretch of line.

    Parameters
    ----------
    semitones : (n,) pitch in semitones, without NaN, n >= plateau_min.
    plateau_min, plateau_max, glide_min, glide_max : lengths allowed, in frames.
    """
    offset = float(np.mean(semitones))
    y = np.ascontiguousarray(semitones - offset, dtype=np.float64)
    cut, is_glide = _best_cuts(y, plateau_min, plateau_max, glide_min, glide_max)
    pieces = []
    end = y.size
    while end > 0:
        start = int(cut[end])
        part = y[start:end]
        if is_glide[end]:
            at = np.arange(part.size) - 0.5 * (part.size - 1)
            rise = float(at @ part / (at @ at)) * (part.size - 1)
        else:
            rise = 0.0
        pieces.append(Piece(bool(is_glide[end]), start, end, float(median_of_known(part)) + offset, rise))
        end = start
    return pieces[::-1]
