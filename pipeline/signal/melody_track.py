"""What speaks for a candidate beyond its own frame: the track that it continues, and its rivals.

A first network judges each candidate by the spectrum around it. Here each candidate is linked to the best one near
it in the frame before, and in the frame after, so that it inherits what was found along its track: how good its
judgements were, for how long, how much it moved and whether it faded. With that, the judgements of its octaves and
twelfths, and the register in which the solo was heard around it, a second, smaller network judges again.
"""

from collections.abc import Callable
from typing import Any

import numba
import numpy as np

from pipeline.signal.melody_path import Ints
from pipeline.signal.spectrum import F32
from pipeline.signal.voicing import mean_of_neighbours
from pipeline.units import Floats

# Bins that a track may move from one frame to the next.
LINK_BINS = 5
# Memory of a track: 40 ms and 190 ms.
SHORT, LONG = 0.86, 0.97
# Judgement of what is not there.
NOTHING = -8.0
RIVALS = (-95, -60, 60, 95)
HISTORY = 6
# Half widths in frames of the means that say in which register the solo plays: 0.7 s, 2 s, 4.6 s.
REGISTER = (120, 350, 800)
# A register is never thought narrower than this, nor a candidate farther off than so many of its widths.
NARROWEST_BINS = 12.0
FARTHEST = 4.0
FEATURES = 7 + 2 * HISTORY + len(RIVALS) + len(REGISTER)


@numba.njit(cache=True)
def _history(bins, logits, strength, step, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` (n, k, 6) along the frames (``step`` 1) or against them (-1).

    Means of the judgements over a short and a long while, movement in bins a frame over a short while, growth of the
    salience over the long while, age in units of 60 frames, and movement over the long while.
    """
    n, k = bins.shape
    level = np.zeros((2, k), dtype=np.float32)
    start = 0 if step > 0 else n - 1
    for q in range(n):
        t = start + step * q
        now = q % 2
        for j in range(k):
            level[now, j] = strength[t, j]
            row = out[t, j]
            row[0] = NOTHING
            row[1] = NOTHING
            row[2] = 0.0
            row[3] = 0.0
            row[4] = 0.0
            row[5] = 0.0
            if bins[t, j] < 0 or q == 0:
                continue
            p = t - step
            best = -1
            most = np.float32(-1e9)
            for i in range(k):
                distance = abs(bins[p, i] - bins[t, j])
                if bins[p, i] >= 0 and distance <= LINK_BINS:
                    worth = logits[p, i] - np.float32(0.3) * distance
                    if worth > most:
                        most = worth
                        best = i
            if best < 0:
                continue
            before = out[p, best]
            own = max(logits[p, best], np.float32(NOTHING))
            row[0] = SHORT * before[0] + (1.0 - SHORT) * own
            row[1] = LONG * before[1] + (1.0 - LONG) * own
            row[2] = SHORT * before[2] + (1.0 - SHORT) * abs(bins[p, best] - bins[t, j])
            mean = level[1 - now, best]
            level[now, j] = LONG * mean + (1.0 - LONG) * strength[t, j]
            row[3] = strength[t, j] - level[now, j]
            row[4] = min(before[4] + 1.0 / 60.0, 1.0)
            row[5] = LONG * before[5] + (1.0 - LONG) * abs(bins[p, best] - bins[t, j]) * 5.0


@numba.njit(cache=True)
def _join(  # type: ignore[no-untyped-def]
    asked, bins, logits, strength, share, past, future, centre, width, rivals, lowest_midi, per_bin, out
):
    n, k = bins.shape
    for t in range(n):
        quiet = np.log(share[t, k] + 1e-6)
        for j in range(k):
            b = asked[t, j]
            if b < 0:
                continue
            row = out[t, j]
            other = np.float32(NOTHING)
            for r in range(rivals.shape[0]):
                row[r] = NOTHING
            for i in range(k):
                if i == j or bins[t, i] < 0:
                    continue
                other = max(other, logits[t, i])
                for r in range(rivals.shape[0]):
                    if abs(bins[t, i] - b - rivals[r]) <= 1:
                        row[r] = max(row[r], logits[t, i])
            m = rivals.shape[0]
            row[m] = other
            row[m + 1] = max(logits[t, j], np.float32(NOTHING))
            row[m + 2] = np.log(share[t, j] + 1e-6)
            row[m + 3] = quiet
            row[m + 4] = strength[t, j]
            row[m + 5] = strength[t, 0] - strength[t, j]
            row[m + 6] = (lowest_midi + per_bin * b - 69.0) * 0.3
            for h in range(past.shape[2]):
                row[m + 7 + h] = past[t, j, h]
                row[m + 7 + past.shape[2] + h] = future[t, j, h]
            m += 7 + 2 * past.shape[2]
            for h in range(centre.shape[0]):
                off = (b - centre[h, t]) / width[h, t]
                row[m + h] = min(max(off, -FARTHEST), FARTHEST)
            for h in range(row.shape[0]):
                row[h] *= 0.2


def _registers(bins: Ints, share: Floats) -> tuple[Floats, Floats]:
    """Mean and spread in bins of the pitches heard around each frame, (widths, n) each, by their posteriors."""
    heard = share[:, :-1]
    pitch = np.where(bins >= 0, bins, 0).astype(np.float64)
    sums = np.stack((heard.sum(axis=1), (heard * pitch).sum(axis=1), (heard * pitch**2).sum(axis=1)))
    centre, width = np.empty((len(REGISTER), len(bins))), np.empty((len(REGISTER), len(bins)))
    for i, half in enumerate(REGISTER):
        mass, first, second = (mean_of_neighbours(row, half=half) for row in sums)
        centre[i] = first / np.maximum(mass, 1e-6)
        width[i] = np.sqrt(np.maximum(second / np.maximum(mass, 1e-6) - centre[i] ** 2, 0.0)) + NARROWEST_BINS
    return centre, width


def track_features(
    bins: Ints, logits: F32, strength: F32, share: Floats, *, lowest_midi: float, per_bin: float
) -> Callable[[slice, Any], Any]:
    """A function that gives the features (frames, k, ``FEATURES``) of a span of frames.

    Its second argument is the candidates (frames, k) that they are wanted of, -1 for the others.

    Parameters
    ----------
    bins, logits, strength : candidates (n, k), their first judgements and salience.
    share : posteriors (n, k + 1) by the first judgements.
    """
    past = np.empty((*bins.shape, HISTORY), dtype=np.float32)
    future = np.empty_like(past)
    _history(bins, logits, strength, 1, past)
    _history(bins, logits, strength, -1, future)
    centre, width = _registers(bins, share)
    rivals = np.array(RIVALS, dtype=np.int64)

    def of(span: slice, asked: Any) -> Any:
        out = np.zeros((*bins[span].shape, FEATURES), dtype=np.float32)
        _join(
            asked,
            bins[span],
            logits[span],
            strength[span],
            share[span],
            past[span],
            future[span],
            centre[:, span],
            width[:, span],
            rivals,
            lowest_midi,
            per_bin,
            out,
        )
        return out

    return of
