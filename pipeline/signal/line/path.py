"""The likeliest path of the melody through scored candidates: glides, leaps, and silence in between.

States of a frame are its candidates, and silence as the last. Logits of neighbouring frames, whose windows overlap
eight times, are not independent evidence: shares are weakened to their square roots before they are multiplied, and
further, by ``PATH_EVIDENCE``, for the choice of the path.
"""

import math

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within, log_sum
from pipeline.signal.line.spectrum import F32
from pipeline.units import Floats

Ints = npt.NDArray[np.int32]

# Most bins that a glide may move in a frame: 1.8 semitones in 5.8 ms, 310 semitones a second.
GLIDE_BINS = 9
GLIDE_COST = 0.12
LEAP_COST = 3.5
SILENCE_COST = 2.0
# Silence must win clearly: what follows needs the line under noise more than it needs clean gaps.
SILENCE_HANDICAP = 1.5
LOWEST = -6.0
# For the choice of the path, log shares are weakened further than by half, so that it does not leave a note for a few
# frames.
PATH_EVIDENCE = 0.3


def _counts(bins: Ints) -> npt.NDArray[np.int64]:
    """How many candidates each frame has; those that there are come first."""
    return np.asarray(np.sum(bins >= 0, axis=1), dtype=np.int64)


@compiled_within()
def _cost(a, b):  # type: ignore[no-untyped-def]
    distance = abs(a - b)
    return GLIDE_COST * distance if distance <= GLIDE_BINS else LEAP_COST


@compiled_within()
def _scores(logits, count, silence, out):  # type: ignore[no-untyped-def]
    """Weakened log posteriors of the ``count`` candidates of one frame and, last, of silence."""
    k = logits.shape[0]
    norm = log_sum(logits, count, silence)
    for j in range(count):
        out[j] = max(PATH_EVIDENCE * (logits[j] - norm), LOWEST)
    out[k] = max(PATH_EVIDENCE * (silence - norm), LOWEST)


@compiled()
def _viterbi(bins, logits, silence, counts, back, state, later, score, path):  # type: ignore[no-untyped-def]
    n, k = bins.shape
    for t in range(n):
        _scores(logits[t], counts[t], silence, score)
        before = counts[t - 1] if t > 0 else 0
        quiet = state[k]
        origin = k
        for i in range(before):
            if state[i] - SILENCE_COST > quiet:
                quiet = state[i] - SILENCE_COST
                origin = i
        later[k] = quiet + score[k] - SILENCE_HANDICAP
        back[t, k] = origin
        most = later[k]
        for j in range(counts[t]):
            best = state[k] - SILENCE_COST
            origin = k
            for i in range(before):
                if state[i] <= best:
                    continue
                v = state[i] - _cost(bins[t - 1, i], bins[t, j])
                if v > best:
                    best = v
                    origin = i
            later[j] = best + score[j]
            back[t, j] = origin
            most = max(most, later[j])
        for j in range(counts[t]):
            state[j] = later[j] - most
        state[k] = later[k] - most
    at = k
    for j in range(counts[n - 1] if n else 0):
        if state[j] > state[at]:
            at = j
    for t in range(n - 1, -1, -1):
        path[t] = at
        at = back[t, at]


@compiled_within()
def _spread(bins_from, before, bins_to, after, state, leap, change, glides, out):  # type: ignore[no-untyped-def]
    """Probabilities one frame on: ``out`` = transition applied to ``state``; both end with silence.

    ``before`` and ``after`` are the numbers of candidates. ``leap`` and ``change`` (to or from silence) are weights,
    ``glides`` what glides by 0, 1, … bins weigh more than a leap, 0 at its end for all others.
    """
    k = bins_to.shape[0]
    sounding = 0.0
    for i in range(before):
        sounding += state[i]
    out[k] = state[k] + sounding * change
    for j in range(after):
        out[j] = state[k] * change + sounding * leap
    for i in range(before):
        own = state[i]
        bin_from = bins_from[i]
        for j in range(after):
            out[j] += own * glides[min(abs(bin_from - bins_to[j]), GLIDE_BINS + 1)]


@compiled_within(error_model="numpy")
def _weak_shares(logits, count, silence, out):  # type: ignore[no-untyped-def]
    """Square roots of the shares of the ``count`` candidates of one frame and, last, of silence."""
    k = logits.shape[0]
    norm = log_sum(logits, count, silence)
    for j in range(count):
        out[j] = np.exp(max(0.5 * (logits[j] - norm), LOWEST))
    out[k] = np.exp(max(0.5 * (silence - norm), LOWEST))


@compiled(error_model="numpy")
def _posteriors(bins, logits, silence, counts, glides, leap, change, shares, score, state, moved, out):  # type: ignore[no-untyped-def]
    n, k = bins.shape
    for t in range(n):
        count = counts[t]
        if t > 0:
            _spread(bins[t - 1], counts[t - 1], bins[t], count, out[t - 1], leap, change, glides, moved)
        _weak_shares(logits[t], count, silence, shares[t])
        _shared(moved, shares[t], count, out[t])
    for j in range(k + 1):
        state[j] = 1.0
    for t in range(n - 1, -1, -1):
        count = counts[t]
        if t < n - 1:
            later = counts[t + 1]
            for j in range(later):
                score[j] = state[j] * shares[t + 1, j]
            score[k] = state[k] * shares[t + 1, k]
            _spread(bins[t + 1], later, bins[t], count, score, leap, change, glides, moved)
            most = moved[k]
            for j in range(count):
                most = max(most, moved[j])
            scale = 1.0 / most
            for j in range(count):
                state[j] = moved[j] * scale
            state[k] = moved[k] * scale
        _shared(out[t], state, count, out[t])


@compiled_within(error_model="numpy")
def _shared(a, b, count, out):  # type: ignore[no-untyped-def]
    """Products of the ``count`` first and the last of two rows as shares of their sum; nothing for the others."""
    k = out.shape[0] - 1
    total = a[k] * b[k]
    for j in range(count):
        total += a[j] * b[j]
    scale = 1.0 / total
    for j in range(count):
        out[j] = a[j] * b[j] * scale
    for j in range(count, k):
        out[j] = 0.0
    out[k] = a[k] * b[k] * scale


def best_path(bins: Ints, logits: F32, *, silence: float) -> Ints:
    """Index of the candidate in each frame (n,), or the number of candidates for silence (Viterbi)."""
    path = np.zeros(len(bins), dtype=np.int32)
    n, k = bins.shape
    back, state = np.zeros((n, k + 1), dtype=np.int8), np.full(k + 1, -1e9)
    later, score = np.empty((2, k + 1))
    state[k] = 0.0
    _viterbi(bins, logits, silence, _counts(bins), back, state, later, score, path)
    return path


def posteriors(bins: Ints, logits: F32, *, silence: float) -> Floats:
    """Probability of each candidate and, last, of silence (n, k + 1), by all that was heard before and after."""
    out = np.empty((bins.shape[0], bins.shape[1] + 1))
    n, k = bins.shape
    leap, change = math.exp(-LEAP_COST), math.exp(-SILENCE_COST)
    glides = np.zeros(GLIDE_BINS + 2)
    for d in range(GLIDE_BINS + 1):
        glides[d] = math.exp(-GLIDE_COST * d) - leap
    shares, score, state, moved = np.zeros((n, k + 1)), np.empty(k + 1), np.zeros(k + 1), np.ones(k + 1)
    _posteriors(bins, logits, silence, _counts(bins), glides, leap, change, shares, score, state, moved, out)
    return out
