"""How well each pitch explains a frame: the comb, its best candidates, and their log posteriors."""

import numba
import numpy as np

from pipeline.signal.melody_path import NO_CANDIDATE

CANDIDATES = 12
# Bins either side of a candidate that are scored with it.
NEIGHBOURS = 1
# Turns the comb's salience into log odds, and its level for silence (tuned on rendered sides).
COMB_GAIN = 0.8
COMB_SILENCE = 3.0


@numba.njit(cache=True)
def salience(high, low, split, below, offsets, weights, out):  # type: ignore[no-untyped-def]
    """Comb salience (frames, n) from whitened grids (frames, below + n + …); bins under ``split`` read ``low``."""
    n = out.shape[1]
    for t in range(out.shape[0]):
        for i in range(n):
            out[t, i] = 0.0
        for j in range(offsets.shape[0]):
            w = weights[j]
            o = below + offsets[j]
            for i in range(split):
                out[t, i] += w * low[t, o + i]
            for i in range(split, n):
                out[t, i] += w * high[t, o + i]


@numba.njit(cache=True)
def candidates(row, chosen):  # type: ignore[no-untyped-def]
    """Fill ``chosen`` (k,) with the bins of the k highest local maxima of ``row``, highest first, or -1."""
    k = chosen.shape[0]
    chosen[:] = -1
    n = row.shape[0]
    for i in range(n):
        v = row[i]
        if v <= 0.0 or (i > 0 and row[i - 1] > v) or (i < n - 1 and row[i + 1] >= v):
            continue
        if chosen[k - 1] >= 0 and row[chosen[k - 1]] >= v:
            continue
        j = k - 1
        while j > 0 and (chosen[j - 1] < 0 or row[chosen[j - 1]] < v):
            chosen[j] = chosen[j - 1]
            j -= 1
        chosen[j] = i


@numba.njit(cache=True)
def normalise(scores, silence, odds):  # type: ignore[no-untyped-def]
    """Turn logits (frames, n) and silence logits into log posteriors in place; ``odds``: any pitch to none."""
    for t in range(scores.shape[0]):
        top = silence[t]
        for i in range(scores.shape[1]):
            top = max(top, scores[t, i])
        total = 0.0
        for i in range(scores.shape[1]):
            if scores[t, i] > NO_CANDIDATE:
                total += np.exp(scores[t, i] - top)
        odds[t] = np.log(total + 1e-12) + top - silence[t]
        norm = top + np.log(total + np.exp(silence[t] - top))
        for i in range(scores.shape[1]):
            scores[t, i] -= norm
        silence[t] -= norm


@numba.njit(cache=True)
def score_by_comb(saliences, scores, silence):  # type: ignore[no-untyped-def]
    """Logits (frames, n) of the candidates and their neighbours from the salience alone."""
    chosen = np.empty(CANDIDATES, dtype=np.int64)
    n = saliences.shape[1]
    for t in range(saliences.shape[0]):
        for i in range(n):
            scores[t, i] = NO_CANDIDATE
        candidates(saliences[t], chosen)
        for j in range(CANDIDATES):
            c = chosen[j]
            if c >= 0:
                low, high = max(0, c - NEIGHBOURS), min(n, c + NEIGHBOURS + 1)
                for i in range(low, high):
                    scores[t, i] = COMB_GAIN * saliences[t, i]
        silence[t] = COMB_GAIN * COMB_SILENCE
