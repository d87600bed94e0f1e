"""Candidate pitches of each frame: the highest local maxima of a comb of partials, and their logits by it."""

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within
from pipeline.signal.line.spectrum import F32

CANDIDATES = 20  # of a frame (common practice, no source)
# A candidate with less than this share of the best one's salience is none: in 99.8 frames of 100 with piano it is
# wrong, and clear frames are left with few.
LEAST_SHARE = 0.2
# Of those judged, so many are kept at most: a candidate whose logit is this much below the best one's is none. It holds
# for one right pitch in 4000, and most of the candidates.
LIKELY = 12
LEAST_LOGIT = -8.0
# Turns the comb's salience into logits, and its level for silence (from rendered sides).
COMB_GAIN = 0.8
COMB_SILENCE = 3.0
# The comb cannot tell a clear tone from its twelfth, all of whose teeth hit partials as well: a candidate with more
# than this share of its salience a twelfth below loses this much of the rest.
TWELFTH_BINS = 95
TWELFTH_SHARE = 0.6
TWELFTH_LOSS = 0.6
# Partials whose level is a candidate's.
LOUD_PARTIALS = 5


@compiled_within()
def _add_teeth(row, out, first, offsets, weights):  # type: ignore[no-untyped-def]
    n = out.shape[0]
    for j in range(offsets.shape[0]):
        start = first + offsets[j]
        tooth = row[start : start + n]
        w = weights[j]
        for i in range(n):
            out[i] += w * tooth[i]


def salience(
    high: F32,
    low: F32,
    split: int,
    low_end: int,
    below: int,
    offsets: npt.NDArray[np.int64],
    weights: F32,
    out: F32,
) -> None:
    """Comb salience (frames, n) from whitened grids (frames, below + n + …).

    Bins under ``split`` read ``low``; the others whatever is higher in either, up to ``low_end``: a long window parts a
    note's partials from a piano's, a short one follows them.
    """
    both = np.empty(high.shape[1], dtype=np.float32)
    _salience(high, low, split, low_end, below, offsets, weights, both, out)


@compiled()
def _salience(high, low, split, low_end, below, offsets, weights, both, out):  # type: ignore[no-untyped-def]
    n = out.shape[1]
    for t in range(out.shape[0]):
        for i in range(low_end):
            both[i] = max(high[t, i], low[t, i])
        for i in range(low_end, both.shape[0]):
            both[i] = high[t, i]
        for i in range(n):
            out[t, i] = 0.0
        if split > 0:
            _add_teeth(low[t], out[t, :split], below, offsets, weights)
        _add_teeth(both, out[t, split:n], below + split, offsets, weights)


@compiled_within()
def _peaks(row, least, place):  # type: ignore[no-untyped-def]
    """Write the bins of the local maxima of ``row`` that reach ``least`` into ``place`` and give their number."""
    n = row.shape[0]
    count = 0
    if row[0] > row[1] and row[0] >= least:
        place[0] = 0
        count = 1
    middle, before, after = row[1 : n - 1], row[: n - 2], row[2:]
    # Without a branch: where a maximum comes, no processor foresees.
    for i in range(n - 2):
        place[count] = i + 1
        v = middle[i]
        count += (before[i] <= v) & (v > after[i]) & (v >= least)
    if row[n - 1] >= row[n - 2] and row[n - 1] >= least:
        place[count] = n - 1
        count += 1
    return count


@compiled_within()
def _highest(row, chosen, place, height):  # type: ignore[no-untyped-def]
    """Fill ``chosen`` (k,) with the bins of the k highest local maxima of ``row``, highest first, or -1.

    Those with less than ``LEAST_SHARE`` of the highest are none.
    """
    for c in range(chosen.shape[0]):
        chosen[c] = -1
    most = np.float32(0.0)
    for i in range(row.shape[0]):
        most = max(most, row[i])
    if most <= 0.0:
        return
    count = _peaks(row, np.float32(LEAST_SHARE) * most, place)
    for c in range(count):
        height[c] = row[place[c]]
    for c in range(count):
        v = height[c]
        rank = np.int32(0)
        for i in range(count):
            rank += np.int32(height[i] > v)
        # Of equals the lower comes first.
        while rank < chosen.shape[0] and chosen[rank] >= 0:
            rank += np.int32(1)
        if rank < chosen.shape[0]:
            chosen[rank] = place[c]


@compiled_within()
def _shift(row, i):  # type: ignore[no-untyped-def]
    """Where the parabola through a local maximum and its neighbours peaks, in bins from it."""
    if i <= 0 or i >= row.shape[0] - 1:
        return np.float32(0.0)
    bend = row[i - 1] - np.float32(2.0) * row[i] + row[i + 1]
    return np.float32(0.5) * (row[i - 1] - row[i + 1]) / bend if bend < 0.0 else np.float32(0.0)


def choose(saliences: F32, bins: npt.NDArray[np.int32], strength: F32, beside: F32) -> None:
    """Candidates of all frames: ``bins`` (frames, k) int32, -1 where there are fewer, and their salience.

    ``beside`` becomes how far from the middle of its bin each peaks, in bins, by a parabola.
    """
    place, chosen = np.empty(saliences.shape[1], dtype=np.int64), np.empty(bins.shape[1], dtype=np.int64)
    _choose(saliences, bins, strength, beside, chosen, place, np.empty(place.size, dtype=np.float32))


@compiled()
def _choose(saliences, bins, strength, beside, chosen, place, height):  # type: ignore[no-untyped-def]
    for t in range(bins.shape[0]):
        _highest(saliences[t], chosen, place, height)
        for j in range(bins.shape[1]):
            bins[t, j] = chosen[j]
            strength[t, j] = saliences[t, chosen[j]] if chosen[j] >= 0 else 0.0
            beside[t, j] = _shift(saliences[t], chosen[j]) if chosen[j] >= 0 else 0.0


@compiled()
def keep_likely(bins, logits, strength, beside, kept, kept_logits, kept_strength, kept_beside):  # type: ignore[no-untyped-def]
    """Copy what belongs to the likely candidates from arrays (frames, k) to others (frames, ``LIKELY``), in order.

    Of ``kept`` what is left over becomes -1.
    """
    for t in range(bins.shape[0]):
        for j in range(kept.shape[1]):
            kept[t, j] = -1
        count = 0
        top = np.float32(-np.inf)
        while count < bins.shape[1] and bins[t, count] >= 0:
            top = max(top, logits[t, count])
            count += 1
        here = logits[t, :count]
        to = 0
        for j in range(count):
            v = here[j]
            better = np.int32(0)
            for i in range(count):
                better += np.int32(here[i] > v)
            if better < LIKELY and to < LIKELY and v >= top + np.float32(LEAST_LOGIT):
                kept[t, to] = bins[t, j]
                kept_logits[t, to] = v
                kept_strength[t, to] = strength[t, j]
                kept_beside[t, to] = beside[t, j]
                to += 1


@compiled()
def loudness(magnitude, step, floor, hz, bin_hz, low_bin, high_bin, bins, out):  # type: ignore[no-untyped-def]
    """Level over the floor of candidates ``bins`` (frames, k) within [low_bin, high_bin), in units of 8.7 dB.

    ``magnitude`` (frames / step, n) of one register, ``floor`` (n,); the first ``LOUD_PARTIALS`` partials count.
    """
    n = magnitude.shape[1]
    for t in range(bins.shape[0]):
        row = magnitude[t // step]
        for j in range(bins.shape[1]):
            b = bins[t, j]
            if b < low_bin or b >= high_bin:
                continue
            power = np.float32(0.0)
            quiet = np.float32(0.0)
            for h in range(1, LOUD_PARTIALS + 1):
                at = int(h * hz[b] / bin_hz + 0.5)
                if at >= n - 1:
                    break
                power += row[at] * row[at]
                quiet += floor[at] * floor[at]
            out[t, j] = np.float32(0.5) * np.log(power / quiet + np.float32(1e-3))


@compiled()
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
