"""The likeliest path of the melody through scored candidates: glides and leaps, and silence in between."""

import numba
import numpy as np

# Most bins that a glide may move in a frame: 1.8 semitones in 5.8 ms, 310 semitones a second.
GLIDE_BINS = 9
GLIDE_COST = 0.25
LEAP_COST = 7.0
SILENCE_COST = 4.0
# Silence must win clearly: what follows needs the line under noise more than it needs clean gaps.
SILENCE_HANDICAP = 3.0
LOWEST_SCORE = -12.0
NO_CANDIDATE = -25.0


@numba.njit(cache=True)
def advance(scores, silence, state, back):  # type: ignore[no-untyped-def]
    """Carry the path scores ``state`` (n + 1; silence last) over frames of log posteriors, noting where from.

    ``scores`` (frames, n) and ``silence`` (frames,) are natural-log posteriors; ``back`` (frames, n + 1) int16
    receives the best predecessor of each state. Recipe: Viterbi, with a bounded linear cost for glides, one cost
    for a leap between any pitches and one for entering or leaving silence.
    """
    n = scores.shape[1]
    padded = np.full(n + 2 * GLIDE_BINS, np.float32(-1e30), dtype=np.float32)
    best = np.empty(n, dtype=np.float32)
    origin = np.empty(n, dtype=np.int32)
    for t in range(scores.shape[0]):
        top = np.float32(-1e30)
        top_at = 0
        for i in range(n):
            padded[GLIDE_BINS + i] = state[i]
            if state[i] > top:
                top = state[i]
                top_at = i
            best[i] = state[i]
            origin[i] = 0
        for d in range(1, GLIDE_BINS + 1):
            cost = np.float32(GLIDE_COST * d)
            for i in range(n):
                a = padded[GLIDE_BINS + i - d] - cost
                if a > best[i]:
                    best[i] = a
                    origin[i] = -d
            for i in range(n):
                a = padded[GLIDE_BINS + i + d] - cost
                if a > best[i]:
                    best[i] = a
                    origin[i] = d
        other = top - np.float32(LEAP_COST)
        other_at = top_at
        if state[n] - np.float32(SILENCE_COST) > other:
            other = state[n] - np.float32(SILENCE_COST)
            other_at = n
        for i in range(n):
            score = max(scores[t, i], np.float32(LOWEST_SCORE))
            if best[i] >= other:
                back[t, i] = i + origin[i]
                state[i] = best[i] + score
            else:
                back[t, i] = other_at
                state[i] = other + score
        quiet = max(silence[t] - np.float32(SILENCE_HANDICAP), np.float32(LOWEST_SCORE - SILENCE_HANDICAP))
        if top - np.float32(SILENCE_COST) > state[n]:
            back[t, n] = top_at
            state[n] = top - np.float32(SILENCE_COST) + quiet
        else:
            back[t, n] = n
            state[n] += quiet
        highest = state[n]
        for i in range(n):
            highest = max(highest, state[i])
        for i in range(n + 1):
            state[i] -= highest


@numba.njit(cache=True)
def trace(back, last):  # type: ignore[no-untyped-def]
    """States (frames,) of the best path that ends in state ``last``, and the state before its first frame."""
    path = np.empty(back.shape[0], dtype=np.int32)
    at = last
    for t in range(back.shape[0] - 1, -1, -1):
        path[t] = at
        at = back[t, at]
    return path, at
