"""What speaks for a candidate beyond its own frame: the track that it continues, and its rivals.

A first network judges each candidate by the spectrum around it. Here each candidate is linked to the best one near
it in the frame before, and in the frame after, so that it inherits what was found along its track: how good its
judgements were, for how long, how much it moved, and how it grew or faded: a piano's pitch stands still and its level
only falls. With that, the judgements of its octaves and twelfths, and the register and level in which the solo was
heard around it, a second, smaller network judges again; and a third by what the second has judged. The mean of both
counts.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from pipeline.compiled import compiled
from pipeline.signal.line.path import Ints
from pipeline.signal.line.spectrum import F32
from pipeline.units import Floats

# Bins that a track may move from one frame to the next.
LINK_BINS = 5
# Memory of a track: 40 ms, 190 ms and 0.7 s.
SHORT, LONG, LONGER = 0.86, 0.97, 0.992
# Judgement of what is not there.
NOTHING = -8.0
RIVALS = (-95, -60, 60, 95)
# Half widths in frames of the means that say in which register the solo plays: 0.7 s, 2 s, 4.6 s.
REGISTER = (120, 350, 800)
# A register, and a range of levels (in units of 8.7 dB), is never thought narrower than this, nor a candidate farther
# off than so many of its widths.
NARROWEST_BINS = 12.0
NARROWEST_LEVELS = 0.3
FARTHEST = 4.0
ALONG = (
    "odds_short",
    "odds_long",
    "moved_short",
    "salience_against_mean",
    "age",
    "moved_long",
    "odds_longer",
    "pitch_off_long",
    "pitch_off_longer",
    "level_against_mean",
    "level_unrest",
    "level_against_top",
)
NAMES = (
    *(f"rival{bins:+d}" for bins in RIVALS),
    *("best_other", "odds", "share", "silence_share", "salience", "below_best_salience", "pitch", "level"),
    *(f"{way}_{name}" for way in ("past", "future") for name in ALONG),
    *(f"{what}_off_{frames}" for what in ("pitch", "level") for frames in REGISTER),
)


@compiled()
def _history(bins, logits, strength, beside, level, rows, step, means, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` (candidates, 12) along the frames (``step`` 1) or against them (-1).

    ``rows`` (n,) says where each frame's candidates begin in it.

    Means of the judgements over a short and a long while, movement over a short while, salience against its mean, age
    in units of 60 frames, movement over the long while, mean of the judgements over the longest while, distance of the
    pitch from its mean over the long and the longest while, level against its mean, its unsteadiness, and level against
    the highest that the track has had.
    """
    salience, middle, loud, top = means[0], means[1], means[2], means[3]
    n, k = bins.shape
    start = 0 if step > 0 else n - 1
    for q in range(n):
        t = start + step * q
        now = q % 2
        for j in range(k):
            if bins[t, j] < 0:
                break
            salience[now, j] = strength[t, j]
            pitch = bins[t, j] + beside[t, j]
            middle[now, j] = pitch
            loud[now, j] = level[t, j]
            top[now, j] = level[t, j]
            row = out[rows[t] + j]
            for h in range(row.shape[0]):
                row[h] = 0.0
            row[0] = NOTHING
            row[1] = NOTHING
            row[6] = NOTHING
            if q == 0:
                continue
            p = t - step
            best = -1
            most = np.float32(-1e9)
            for i in range(k):
                if bins[p, i] < 0:
                    break
                distance = abs(bins[p, i] - bins[t, j])
                if distance <= LINK_BINS:
                    worth = logits[p, i] - np.float32(0.3) * distance
                    if worth > most:
                        most = worth
                        best = i
            if best < 0:
                continue
            before = out[rows[p] + best]
            own = max(logits[p, best], np.float32(NOTHING))
            moved = abs(bins[p, best] + beside[p, best] - pitch)
            row[0] = SHORT * before[0] + (1.0 - SHORT) * own
            row[1] = LONG * before[1] + (1.0 - LONG) * own
            row[2] = SHORT * before[2] + (1.0 - SHORT) * moved
            salience[now, j] = LONG * salience[1 - now, best] + (1.0 - LONG) * strength[t, j]
            row[3] = strength[t, j] - salience[now, j]
            row[4] = min(before[4] + 1.0 / 60.0, 3.0)
            row[5] = LONG * before[5] + (1.0 - LONG) * moved * 5.0
            row[6] = LONGER * before[6] + (1.0 - LONGER) * own
            middle[now, j] = LONG * middle[1 - now, best] + (1.0 - LONG) * pitch
            off = abs(pitch - middle[now, j])
            row[7] = LONG * before[7] + (1.0 - LONG) * off * 3.0
            row[8] = LONGER * before[8] + (1.0 - LONGER) * off * 3.0
            loud[now, j] = LONG * loud[1 - now, best] + (1.0 - LONG) * level[t, j]
            row[9] = (level[t, j] - loud[now, j]) * 3.0
            row[10] = LONG * before[10] + (1.0 - LONG) * abs(level[t, j] - level[p, best]) * 10.0
            top[now, j] = max(top[1 - now, best], level[t, j])
            row[11] = (level[t, j] - top[now, j]) * 2.0


@compiled(error_model="numpy")
def _join(  # type: ignore[no-untyped-def]
    asked,
    bins,
    logits,
    strength,
    level,
    share,
    rows,
    past,
    future,
    centre,
    width,
    mean_level,
    level_spread,
    rivals,
    lowest_midi,
    per_bin,
    out,
):
    n, k = bins.shape
    count = 0
    for t in range(n):
        quiet = np.log(share[t, k] + 1e-6)
        for j in range(k):
            b = asked[t, j]
            if b < 0:
                continue
            row = out[count]
            count += 1
            other = np.float32(NOTHING)
            for r in range(rivals.shape[0]):
                row[r] = NOTHING
            for i in range(k):
                if bins[t, i] < 0:
                    break
                if i == j:
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
            row[m + 7] = level[t, j]
            for h in range(past.shape[1]):
                row[m + 8 + h] = past[rows[t] + j, h]
                row[m + 8 + past.shape[1] + h] = future[rows[t] + j, h]
            m += 8 + 2 * past.shape[1]
            for h in range(centre.shape[0]):
                off = (b - centre[h, t]) / width[h, t]
                row[m + h] = min(max(off, -FARTHEST), FARTHEST)
                off = (level[t, j] - mean_level[h, t]) / level_spread[h, t]
                row[m + centre.shape[0] + h] = min(max(off, -FARTHEST), FARTHEST)
            for h in range(row.shape[0]):
                row[h] *= 0.2


@compiled()
def _running_moments(values, share, sums):  # type: ignore[no-untyped-def]
    """Running sums (n + 1, 3) of shares (n, k + 1), and of the values (n, k) and squares of candidates by them."""
    for t in range(values.shape[0]):
        mass = first = second = 0.0
        for j in range(values.shape[1]):
            v = values[t, j]
            mass += share[t, j]
            first += share[t, j] * v
            second += share[t, j] * v * v
        sums[t + 1, 0] = sums[t, 0] + mass
        sums[t + 1, 1] = sums[t, 1] + first
        sums[t + 1, 2] = sums[t, 2] + second


def _usual(values: Floats, share: Floats, *, narrowest: float) -> tuple[Floats, Floats]:
    """Mean and spread around each frame of values (n, k) of the candidates, (widths, n) each, by their posteriors."""
    n = len(values)
    sums = np.zeros((n + 1, 3))
    _running_moments(values, share, sums)
    centre, width = np.empty((2, len(REGISTER), n))
    _moments(sums, np.array(REGISTER), narrowest, centre, width)
    return centre, width


@compiled(error_model="numpy")
def _moments(sums, halves, narrowest, centre, width):  # type: ignore[no-untyped-def]
    n = centre.shape[1]
    for i in range(halves.shape[0]):
        for t in range(n):
            low, high = max(t - halves[i], 0), min(t + halves[i] + 1, n)
            mass = max((sums[high, 0] - sums[low, 0]) / (high - low), 1e-6)
            middle = (sums[high, 1] - sums[low, 1]) / (high - low) / mass
            square = (sums[high, 2] - sums[low, 2]) / (high - low) / mass
            centre[i, t] = middle
            width[i, t] = math.sqrt(max(square - middle * middle, 0.0)) + narrowest


def track_features(
    bins: Ints,
    logits: F32,
    strength: F32,
    beside: F32,
    level: F32,
    share: Floats,
    *,
    lowest_midi: float,
    per_bin: float,
) -> Callable[[slice, Any], Any]:
    """A function that gives features (candidates, ``len(NAMES)``) in a span of frames.

    Its second argument is the candidates (frames, k) that they are wanted of, -1 for the others.

    Parameters
    ----------
    bins, logits, strength, beside, level : candidates (n, k), their first judgements, salience, distance from the
        middle of their bin, in bins, and level over the floor (see ``melody_score.loudness``).
    share : posteriors (n, k + 1) by the first judgements.
    """
    # Candidates come first in their frame: only those there are take up a row.
    count = np.sum(bins >= 0, axis=1)
    rows = np.cumsum(count) - count
    past = np.empty((int(count.sum()), len(ALONG)), dtype=np.float32)
    future = np.empty_like(past)
    for step, along in ((1, past), (-1, future)):
        means = np.zeros((4, 2, bins.shape[1]), dtype=np.float32)
        _history(bins, logits, strength, beside, level, rows, step, means, along)
    pitch = np.where(bins >= 0, bins, 0).astype(np.float64)
    centre, width = _usual(pitch, share, narrowest=NARROWEST_BINS)
    mean_level, level_spread = _usual(level.astype(np.float64), share, narrowest=NARROWEST_LEVELS)
    rivals = np.array(RIVALS, dtype=np.int64)

    def of(span: slice, asked: Any) -> Any:
        out = np.empty((np.count_nonzero(asked >= 0), len(NAMES)), dtype=np.float32)
        _join(
            asked,
            bins[span],
            logits[span],
            strength[span],
            level[span],
            share[span],
            rows[span],
            past,
            future,
            centre[:, span],
            width[:, span],
            mean_level[:, span],
            level_spread[:, span],
            rivals,
            lowest_midi,
            per_bin,
            out,
        )
        return out

    return of
