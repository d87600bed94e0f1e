"""The likeliest path of the melody through scored candidates: glides, leaps, and silence in between.

States of a frame are its candidates, and silence as the last. Logits of neighbouring frames, whose windows overlap
eight times, are not independent evidence: they are weakened by ``EVIDENCE`` before they are added up.
"""

import numba
import numpy as np
import numpy.typing as npt

from pipeline.signal.spectrum import F32
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
EVIDENCE = 0.5
# For the choice of the path they are weakened further, so that it does not leave a note for a few frames.
PATH_EVIDENCE = 0.3


@numba.njit(cache=True)
def _cost(a, b):  # type: ignore[no-untyped-def]
    distance = abs(a - b)
    return GLIDE_COST * distance if distance <= GLIDE_BINS else LEAP_COST


@numba.njit(cache=True)
def _scores(logits, bins, silence, evidence, out):  # type: ignore[no-untyped-def]
    """Weakened log posteriors of the candidates of one frame and, last, of silence."""
    k = logits.shape[0]
    top = silence
    for j in range(k):
        if bins[j] >= 0:
            top = max(top, logits[j])
    total = np.exp(silence - top)
    for j in range(k):
        if bins[j] >= 0:
            total += np.exp(logits[j] - top)
    norm = top + np.log(total)
    for j in range(k):
        out[j] = max(evidence * (logits[j] - norm), LOWEST) if bins[j] >= 0 else -1e9
    out[k] = max(evidence * (silence - norm), LOWEST)


@numba.njit(cache=True)
def _viterbi(bins, logits, silence, path):  # type: ignore[no-untyped-def]
    n, k = bins.shape
    back = np.zeros((n, k + 1), dtype=np.int8)
    state = np.full(k + 1, -1e9)
    state[k] = 0.0
    later = np.empty(k + 1)
    score = np.empty(k + 1)
    for t in range(n):
        _scores(logits[t], bins[t], silence, PATH_EVIDENCE, score)
        for j in range(k + 1):
            best = state[k] - (SILENCE_COST if j < k else 0.0)
            origin = k
            if t > 0:
                for i in range(k):
                    if bins[t - 1, i] < 0 or state[i] <= best:
                        continue
                    v = state[i] - (_cost(bins[t - 1, i], bins[t, j]) if j < k else SILENCE_COST)
                    if v > best:
                        best = v
                        origin = i
            later[j] = best + score[j] - (SILENCE_HANDICAP if j == k else 0.0)
            back[t, j] = origin
        state[:] = later - later.max()
    at = int(np.argmax(state))
    for t in range(n - 1, -1, -1):
        path[t] = at
        at = back[t, at]


@numba.njit(cache=True)
def _spread(bins_from, bins_to, state, weights, out):  # type: ignore[no-untyped-def]
    """Probabilities one frame on: ``out`` = transition applied to ``state``; both end with silence.

    ``weights``: of glides by 0, 1, … bins, of a leap, and of a change to or from silence.
    """
    k = bins_to.shape[0]
    change = weights[GLIDE_BINS + 2]
    sounding = 0.0
    for i in range(k):
        sounding += state[i]
    out[k] = state[k] + sounding * change
    for j in range(k):
        out[j] = 0.0
        if bins_to[j] < 0:
            continue
        total = state[k] * change
        for i in range(k):
            total += state[i] * weights[min(abs(bins_from[i] - bins_to[j]), GLIDE_BINS + 1)]
        out[j] = total


@numba.njit(cache=True)
def _posteriors(bins, logits, silence, out):  # type: ignore[no-untyped-def]
    n, k = bins.shape
    score = np.empty(k + 1)
    state = np.zeros(k + 1)
    state[k] = 1.0
    moved = np.empty(k + 1)
    weights = np.empty(GLIDE_BINS + 3)
    for d in range(GLIDE_BINS + 1):
        weights[d] = np.exp(-GLIDE_COST * d)
    weights[GLIDE_BINS + 1] = np.exp(-LEAP_COST)
    weights[GLIDE_BINS + 2] = np.exp(-SILENCE_COST)
    for t in range(n):
        if t > 0:
            _spread(bins[t - 1], bins[t], state, weights, moved)
        else:
            moved[:] = 1.0
        _scores(logits[t], bins[t], silence, EVIDENCE, score)
        state = moved * np.exp(score)
        state /= state.sum()
        out[t] = state
    state = np.ones(k + 1)
    for t in range(n - 1, -1, -1):
        if t < n - 1:
            _scores(logits[t + 1], bins[t + 1], silence, EVIDENCE, score)
            _spread(bins[t + 1], bins[t], state * np.exp(score), weights, moved)
            state = moved / moved.max()
        joint = out[t] * state
        out[t] = joint / joint.sum()


def best_path(bins: Ints, logits: F32, *, silence: float) -> Ints:
    """Index of the candidate in each frame (n,), or the number of candidates for silence (Viterbi)."""
    path = np.zeros(len(bins), dtype=np.int32)
    _viterbi(bins, logits, silence, path)
    return path


def posteriors(bins: Ints, logits: F32, *, silence: float) -> Floats:
    """Probability of each candidate and, last, of silence (n, k + 1), by all that was heard before and after."""
    out = np.empty((bins.shape[0], bins.shape[1] + 1))
    _posteriors(bins, logits, silence, out)
    return out
