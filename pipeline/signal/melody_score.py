"""Candidate pitches of each frame: the highest local maxima of a comb of partials, and their logits by it."""

import numba
import numpy as np

CANDIDATES = 20
# A candidate with less than this share of the best one's salience is none: in 99.8 frames of 100 with piano it is
# wrong, and clear frames are left with few.
LEAST_SHARE = 0.2
# Turns the comb's salience into logits, and its level for silence (from rendered sides).
COMB_GAIN = 0.8
COMB_SILENCE = 3.0
# The comb cannot tell a clear tone from its twelfth, all of whose teeth hit partials as well: a candidate with more
# than this share of its salience a twelfth below loses this much of the rest.
TWELFTH_BINS = 95
TWELFTH_SHARE = 0.6
TWELFTH_LOSS = 0.6


@numba.njit(cache=True)
def _add_teeth(row, out, first, offsets, weights):  # type: ignore[no-untyped-def]
    n = out.shape[0]
    for j in range(offsets.shape[0]):
        start = first + offsets[j]
        tooth = row[start : start + n]
        w = weights[j]
        for i in range(n):
            out[i] += w * tooth[i]


@numba.njit(cache=True)
def salience(high, low, split, below, offsets, weights, out):  # type: ignore[no-untyped-def]
    """Comb salience (frames, n) from whitened grids (frames, below + n + …); bins under ``split`` read ``low``."""
    n = out.shape[1]
    for t in range(out.shape[0]):
        out[t, :] = 0.0
        if split > 0:
            _add_teeth(low[t], out[t, :split], below, offsets, weights)
        _add_teeth(high[t], out[t, split:n], below + split, offsets, weights)


@numba.njit(cache=True)
def candidates(row, chosen):  # type: ignore[no-untyped-def]
    """Fill ``chosen`` (k,) with the bins of the k highest local maxima of ``row``, highest first, or -1."""
    k = chosen.shape[0]
    chosen[:] = -1
    n = row.shape[0]
    least = np.float32(0.0)
    for i in range(n):
        v = row[i]
        if v <= least or (i > 0 and row[i - 1] > v) or (i < n - 1 and row[i + 1] >= v):
            continue
        j = k - 1
        while j > 0 and (chosen[j - 1] < 0 or row[chosen[j - 1]] < v):
            chosen[j] = chosen[j - 1]
            j -= 1
        chosen[j] = i
        if chosen[k - 1] >= 0:
            least = row[chosen[k - 1]]


@numba.njit(cache=True)
def choose(saliences, bins, strength):  # type: ignore[no-untyped-def]
    """Candidates of all frames: ``bins`` (frames, k) int32, -1 where there are fewer, and their salience."""
    chosen = np.empty(bins.shape[1], dtype=np.int64)
    for t in range(bins.shape[0]):
        candidates(saliences[t], chosen)
        least = LEAST_SHARE * saliences[t, max(chosen[0], 0)]
        for j in range(bins.shape[1]):
            strength[t, j] = saliences[t, chosen[j]] if chosen[j] >= 0 else 0.0
            bins[t, j] = chosen[j] if strength[t, j] >= least else -1


@numba.njit(cache=True)
def comb_logits(saliences, bins, out):  # type: ignore[no-untyped-def]
    """Logits (frames, k) of candidates ``bins`` (frames, k) by the comb alone."""
    for t in range(bins.shape[0]):
        for j in range(bins.shape[1]):
            i = bins[t, j]
            if i < 0:
                continue
            own = saliences[t, i]
            under = np.float32(0.0)
            for b in range(max(0, i - TWELFTH_BINS - 1), max(0, i - TWELFTH_BINS + 2)):
                under = max(under, saliences[t, b])
            loss = max(under - TWELFTH_SHARE * own, np.float32(0.0))
            out[t, j] = COMB_GAIN * (own - TWELFTH_LOSS * loss)
