"""Candidate notes of each frame, and what the first judge sees of each.

The comb has no negative teeth half-way between its partials: those take the upper note of a fifth away.
"""

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled
from pipeline.signal.chords.grid import BINS, CONTEXT, F32, PER_SEMITONE, Levels, search_bins

Ints = npt.NDArray[np.int32]

CANDIDATES = 18  # of a frame; the judge sees no more (common practice, no source)
LEAST_SHARE = 0.12
"""Least salience of a candidate, as a share of the best one's."""
TEETH = 10  # partials of the comb, as in the melody's (common practice, no source)
TOOTH_DECAY = 0.85  # weight of each further one, as in the melody's (common practice, no source)
OCTAVE = 12 * PER_SEMITONE  # in bins
EDGE = 6
"""Frames beside those of a block whose candidates the second judge looks at."""

# What the judge sees: how many partials, by kind of feature (common practice, no source).
WHITE_PARTIALS, RAW_PARTIALS, PLACED_PARTIALS, TIMED_PARTIALS = 12, 8, 6, 4
# Ratios at which a note of half or a third of the pitch would have partials (common practice, no source).
BETWEEN = (1 / 3, 1 / 2, 2 / 3, 4 / 3, 3 / 2, 5 / 3, 5 / 2, 7 / 2, 9 / 2, 11 / 2)
# Semitones at which other notes of a chord lie (common practice, no source).
BESIDE = (-24, -19, -12, -7, -5, -4, -3, 3, 4, 5, 7, 12, 19, 24)
LATER = (-6, -3, -1, 1, 3, 6)
"""Frames from now at which the lowest partials are looked at: 23, 70 and 140 ms."""

# What the judge sees, by name.
NAMES = (
    *(f"white_partial_{h}" for h in range(1, WHITE_PARTIALS + 1)),
    *(f"raw_partial_{h}" for h in range(1, RAW_PARTIALS + 1)),
    *(f"between_{share:.3f}" for share in BETWEEN),
    *(f"salience_at_{step}" for step in BESIDE),
    "salience",
    "salience_of_best",
    "rank",
    *(f"partial_{h}_after_{frames}" for h in range(1, TIMED_PARTIALS + 1) for frames in LATER),
    *(f"place_of_partial_{h}" for h in range(1, PLACED_PARTIALS + 1)),
)


def _places(ratios: npt.ArrayLike) -> npt.NDArray[np.int64]:
    return np.round(OCTAVE * np.log2(np.asarray(ratios, dtype=np.float64))).astype(np.int64)


PARTIALS = _places(np.arange(1, WHITE_PARTIALS + 1))
"""Bins from a note to each of its partials."""
_BETWEEN = _places(BETWEEN)
_BESIDE = np.array(BESIDE, dtype=np.int64) * PER_SEMITONE
_LATER = np.array(LATER, dtype=np.int64)
_TEETH = (TOOTH_DECAY ** np.arange(TEETH)).astype(np.float32)


def near(levels: F32) -> F32:
    """The highest of each bin and its two neighbours."""
    out = np.empty_like(levels)
    _near(levels, out)
    return out


@compiled()
def _near(levels, out):  # type: ignore[no-untyped-def]
    n = levels.shape[1]
    for t in range(levels.shape[0]):
        row, most = levels[t], out[t]
        most[0], most[n - 1] = max(row[0], row[1]), max(row[n - 2], row[n - 1])
        middle, before, after, inner = row[1 : n - 1], row[: n - 2], row[2:], most[1 : n - 1]
        for i in range(n - 2):
            higher = before[i] if before[i] > after[i] else after[i]
            inner[i] = higher if higher > middle[i] else middle[i]


def salience(white: F32) -> F32:
    """Comb salience (frames, BINS): what of the note's partials stands out of the envelope, weighted."""
    out = np.zeros_like(white)
    standing_out = near(white)
    _comb(np.maximum(standing_out, 0.0, out=standing_out), _TEETH, PARTIALS, out)
    return out


@compiled()
def _comb(white, teeth, places, out):  # type: ignore[no-untyped-def]
    n = white.shape[1]
    for t in range(white.shape[0]):
        salience = out[t]
        for h in range(teeth.shape[0]):
            partial, tooth = white[t, places[h] :], teeth[h]
            for i in range(n - places[h]):
                salience[i] += tooth * partial[i]


def choose(saliences: F32, *, instrument: str) -> Ints:
    """Bins (count + 2 EDGE, CANDIDATES) of the highest local maxima of a block's frames, highest first; -1: no more.

    ``saliences`` has the rows of ``Levels``.
    """
    rows = saliences[CONTEXT - EDGE : len(saliences) - CONTEXT + EDGE]
    out = np.full((len(rows), CANDIDATES), -1, dtype=np.int32)
    first, last = search_bins(instrument)
    _choose(rows, max(first, 1), min(last, BINS - 1), out)
    return out


@compiled()
def _choose(saliences, first, last, out):  # type: ignore[no-untyped-def]
    most = out.shape[1]
    height = np.empty(most, dtype=np.float32)
    for t in range(saliences.shape[0]):
        row = saliences[t]
        best = np.float32(0.0)
        for i in range(first, last):
            best = max(best, row[i])
        if best <= 0.0:
            continue
        count = 0
        for i in range(first, last):
            v = row[i]
            if v < LEAST_SHARE * best or v < row[i - 1] or v <= row[i + 1]:
                continue
            at = min(count, most)
            while at > 0 and height[at - 1] < v:
                at -= 1
            if at >= most:
                continue
            for k in range(min(count, most - 1), at, -1):
                height[k] = height[k - 1]
                out[t, k] = out[t, k - 1]
            height[at] = v
            out[t, at] = i
            count = min(count + 1, most)


def describe(levels: Levels, saliences: F32, bins: Ints, frame: Ints, which: Ints) -> F32:
    """What the first judge sees (n, len(NAMES)) of the candidates ``which`` of the rows ``frame`` of ``bins``.

    ``saliences`` has the rows of ``levels``.
    """
    out = np.empty((frame.size, len(NAMES)), dtype=np.float32)
    places = PARTIALS, _BETWEEN, _BESIDE, _LATER
    grids = levels.raw, near(levels.raw), near(levels.white), saliences
    _describe(*grids, bins, frame, which, *places, CONTEXT - EDGE, levels.raw.max(axis=1), out)
    return out


@compiled(inline="always")
def _at(row, i):  # type: ignore[no-untyped-def]
    """Bin ``i`` of a row; 0 beyond the grid."""
    # Without a look whether to count backwards; in line, since a call would count the owner of the row.
    return row[np.uint64(i)] if 0 <= i < row.shape[0] else np.float32(0.0)


@compiled(error_model="numpy")
def _describe(  # type: ignore[no-untyped-def]
    exact, raw, white, saliences, bins, frame, which, partials, between, beside, later, lead, loud, out
):
    for i in range(frame.shape[0]):
        t = frame[i] + lead
        b = bins[frame[i], which[i]]
        level, peaks, salience, fine, features = raw[t], white[t], saliences[t], exact[t], out[i]
        own = salience[b]
        f = 0
        for h in range(WHITE_PARTIALS):
            features[f] = _at(peaks, b + partials[h])
            f += 1
        for h in range(RAW_PARTIALS):
            features[f] = _at(level, b + partials[h]) - loud[t]
            f += 1
        for k in range(between.shape[0]):
            features[f] = _at(peaks, b + between[k])
            f += 1
        for k in range(beside.shape[0]):
            features[f] = _at(salience, b + beside[k]) / own
            f += 1
        features[f] = own
        features[f + 1] = own / salience[bins[frame[i], 0]]
        features[f + 2] = which[i]
        f += 3
        for h in range(TIMED_PARTIALS):
            at = b + partials[h]
            now = _at(level, at)
            for k in range(later.shape[0]):
                then = raw[np.uint64(t + later[k]), np.uint64(at)] if 0 <= at < raw.shape[1] else np.float32(0.0)
                features[f] = then - now
                f += 1
        for h in range(PLACED_PARTIALS):
            features[f] = _place(fine, b + partials[h])
            f += 1


@compiled(inline="always")
def _place(row, middle):  # type: ignore[no-untyped-def]
    """Bins from ``middle`` to the highest of it and two to each side, of equals to the middle, then to the lowest."""
    top, height = 0, _at(row, middle)
    inside = 2 <= middle < row.shape[0] - 2
    for k in range(-2, 3):
        here = row[np.uint64(middle + k)] if inside else _at(row, middle + k)
        higher = here > height
        top, height = k if higher else top, here if higher else height
    return top
