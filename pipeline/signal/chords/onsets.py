"""When a note of a chord begins and ends, from the levels of its own partials.

It begins where their mean, each against its level in the note's body, passes 10 dB under it: bows swell in stages, and
a ramp fitted to a slow swell begins up to a tenth of a second late. Bows leave at once: the end is where a smeared ramp
passes 10 dB under its top, fitted backwards to all own partials together by least squares.
"""

from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np

from pipeline.compiled import median_of_known, quantiles
from pipeline.signal.chords.grid import RATE_HZ
from pipeline.signal.chords.partials import DECIMATED, HOP_S, kernel
from pipeline.units import Floats, gain_of_db

PASSED = gain_of_db(-10.0)
"""Share of its level at which a note begins and ends."""
FULL = 0.6
"""Share of its level from which the beginning is looked for backwards: what rang before comes back no more."""
BODY_AFTER, BODY_BEFORE, BODY_LONGEST = round(0.1 / HOP_S), round(0.05 / HOP_S), round(1.0 / HOP_S)
"""Hops after the first guess and before the last from and to which a note's level is taken, and the most."""
EARLIEST, FULL_EARLIEST, LATEST = round(0.25 / HOP_S), round(0.06 / HOP_S), round(0.35 / HOP_S)
"""Hops before the guess from which a beginning, and from which ``FULL``, is looked for, and after it to which both are.
In mixes of sampled notes differences of beginnings err by 11 ms (median) and 40 ms (nine in ten), those of fitted ramps
by 27 and 90."""
CLEAR_S = (-0.11, 0.06)
"""Farthest before and after the first frame judged to be bowed that a beginning is believed: else an old note at a
partial's pitch, or a piano, began there."""
RAMPS_S = (0.01, 0.05, 0.12, 0.25)  # lengths of a bow's release (common practice, no source)
LONGER_GAINS = 0.03
"""Share of the misfit that a longer ramp must take away to be preferred."""
SEARCH_S = 0.15
"""How far from the first guess the middle of a ramp is looked for."""
STEP_S = HOP_S / 2  # finer than the values are apart
STARTS = np.arange(-SEARCH_S, SEARCH_S, STEP_S)
BEFORE, AFTER = round(0.3 / HOP_S), round(0.35 / HOP_S)
"""Hops that are fitted, before and after the guess."""
FRESH_SHARE = 0.3
"""Of its top, more than which a string that has been left does not hold after: 10 dB."""
LEAST_ERROR_S = 0.010
"""Error of one edge where the partials agree: half the median error of differences, 14 ms, over root two."""


@dataclass(frozen=True)
class Edge:
    """One edge of a note.

    ``time_s``; its standard error; and whether it is one: the level before (after) is well under that of the note.
    """

    time_s: float
    error_s: float
    clear: bool


def beginning(levels: Floats, *, guess: int, end: int) -> tuple[float, float, bool]:
    """Where a note begins: hops after the first, its standard error in s, and whether it is clear.

    Parameters
    ----------
    levels : (own partials, n) linear levels every ``HOP_S``; at least ``EARLIEST`` of them before ``guess`` and
        ``LATEST`` after it.
    guess, end : first guesses of its edges.
    """
    if levels.shape[0] == 0:
        return float(guess), float("nan"), False
    first = guess + BODY_AFTER
    last = max(min(end - BODY_BEFORE, guess + BODY_LONGEST), first + 4)
    body = quantiles(levels[:, first:last], 0.5) + 1e-12
    shares = levels / body[:, None]
    before = quantiles(shares[:, guess - EARLIEST : guess + BODY_BEFORE], 0.1)
    # What stands in noise, or in another note, before the note begins says less of it.
    weight = body * np.maximum(1.0 - before, 0.0) ** 2 + 1e-12
    weight /= weight.sum()
    together = weight @ np.minimum(shares, 2.0)
    each = _passages(np.concatenate([together[None], shares]), guess)
    place, known = each[0], np.isfinite(each[1:])
    if not np.isfinite(place):
        return float(guess), float("nan"), False
    worth = weight[known]
    if worth.size < 2:
        return float(place), float("nan"), False
    spread = np.sqrt(((each[1:][known] - place) ** 2 @ worth) * (worth**2).sum()) * HOP_S / worth.sum() ** 1.5
    clear = CLEAR_S[0] < (place - guess) * HOP_S < CLEAR_S[1]
    return float(place), float(np.hypot(spread, LEAST_ERROR_S)), bool(clear)


def _passages(shares: Floats, guess: int) -> Floats:
    """Where rows (m, n) of shares of a level last pass ``PASSED`` before they are ``FULL``; NaN where they do not."""
    seen = shares[:, guess - EARLIEST : guess + LATEST]
    at = np.arange(seen.shape[1])
    full = (seen >= FULL) & (at >= EARLIEST - FULL_EARLIEST)
    under = np.where((seen < PASSED) & (at < np.argmax(full, axis=1)[:, None]), at, -1).max(axis=1)
    known = full.any(axis=1) & (under >= 0)
    row = np.flatnonzero(known)
    low, high = seen[row, under[row]], seen[row, under[row] + 1]
    out = np.full(len(shares), np.nan)
    out[row] = guess - EARLIEST + under[row] + (PASSED - low) / (high - low)
    return out


def ending(levels: Floats, *, guess: int, instrument: str) -> tuple[float, float, bool]:
    """Where a note ends, told as by ``beginning``, of levels in reversed order, ``BEFORE`` to ``AFTER`` ``guess``."""
    if levels.shape[0] == 0:
        return float(guess), float("nan"), False
    seen = levels[:, guess - BEFORE : guess + AFTER]
    seen = seen / np.maximum(np.sort(seen, axis=1)[:, -seen.shape[1] // 10], 1e-12)[:, None]
    ramps = _ramps(instrument)
    # One product for the ramps of all lengths and places.
    mean = seen.mean(axis=1)
    product = seen @ ramps.centred.T
    height = product / ramps.power
    whole = ((seen - mean[:, None]) ** 2).sum(axis=1)[:, None]
    # What rises where a note should end is no end.
    misfit = np.where(height > 0, whole - height * product, whole)
    count = STARTS.size
    total = misfit.sum(axis=0)
    best = 0
    for k in range(1, len(RAMPS_S)):
        if _least(total, k, count) < (1.0 - LONGER_GAINS) * _least(total, best, count):
            best = k
    at = best * count + int(np.argmin(total[best * count : (best + 1) * count]))
    each = STARTS[np.argmin(misfit[:, best * count : (best + 1) * count], axis=1)]
    start = STARTS[at - best * count]
    weight = np.maximum(height[:, at], 1e-6)
    spread = np.sqrt(np.sum(weight * (each - start) ** 2) / weight.sum() / max(len(each) - 1, 1))
    rise = median_of_known(np.ascontiguousarray(height[:, at]))
    before = median_of_known(mean - height[:, at] * ramps.middle[at])
    clear = rise > 0 and before < FRESH_SHARE * (before + rise) and abs(start) < SEARCH_S - STEP_S
    place = guess + (start + PASSED * RAMPS_S[best]) / HOP_S
    return float(place), float(np.hypot(spread, LEAST_ERROR_S)), bool(clear)


def _least(total: Floats, ramp: int, count: int) -> float:
    return float(total[ramp * count : (ramp + 1) * count].min())


def edges(levels: Floats, *, first_s: float, begins: int, ends: int, instrument: str) -> tuple[Edge, Edge]:
    """Where a note begins and ends, from levels from ``first_s`` on and first guesses (which hop) of both."""
    n = levels.shape[1]
    start, error, clear = beginning(levels, guess=begins, end=ends)
    end, end_error, end_clear = ending(levels[:, ::-1], guess=n - 1 - ends, instrument=instrument)
    return (
        Edge(first_s + start * HOP_S, error, clear),
        Edge(first_s + (n - 1 - end) * HOP_S, end_error, end_clear),
    )


class _Ramps(NamedTuple):
    """Ramps of all lengths and places (ramps * starts, n), less their means; their power and means."""

    centred: Floats
    power: Floats
    middle: Floats


@cache
def _ramps(instrument: str) -> _Ramps:
    """Ramps from 0 to 1, smeared as the levels are."""
    shape = kernel(instrument)
    step = DECIMATED / RATE_HZ
    time_s = np.arange(-BEFORE, AFTER) * HOP_S
    rows = []
    for ramp_s in RAMPS_S:
        reach = shape.size // 2 * step + ramp_s
        grid = np.arange(-reach, reach + step, step)
        risen = np.clip(grid / ramp_s, 0.0, 1.0)
        risen = np.convolve(np.pad(risen, shape.size // 2, mode="edge"), shape, mode="valid")
        rows.append(np.interp(time_s[None, :] - STARTS[:, None], grid, risen, left=0.0, right=1.0))
    whole = np.concatenate(rows)
    middle = whole.mean(axis=1)
    centred = whole - middle[:, None]
    return _Ramps(centred, np.maximum((centred**2).sum(axis=1), 1e-9), middle)
