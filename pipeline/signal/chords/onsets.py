"""When a note of a chord begins and ends, from the levels of its own partials.

A smeared ramp is fitted to all own partials together by least squares; the note begins where the ramp passes 10 dB
under its top. All onsets come some 21 ms late together, so only their differences within a chord are to be shown. The
end is fitted alike, backwards.
"""

from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np

from pipeline.signal.chords.grid import RATE_HZ
from pipeline.signal.chords.partials import DECIMATED, HOP_S, kernel
from pipeline.units import Floats, gain_of_db

RAMPS_S = (0.01, 0.05, 0.12, 0.25)  # lengths of a bow's attack (common practice, no source)
LONGER_GAINS = 0.03
"""Share of the misfit that a longer ramp must take away to be preferred."""
PASSED = gain_of_db(-10.0)
"""Share of a ramp at which it is 10 dB under its top."""
SEARCH_S = 0.15
"""How far from the first guess the middle of a ramp is looked for."""
STEP_S = HOP_S / 2  # finer than the values are apart
STARTS = np.arange(-SEARCH_S, SEARCH_S, STEP_S)
BEFORE, AFTER = round(0.3 / HOP_S), round(0.35 / HOP_S)
"""Hops that are fitted, before and after the guess."""
FRESH_SHARE = 0.3
"""Of its top, more than which a string that begins anew does not hold before: 10 dB. With 6 dB three claims more of 275
onsets were wrong."""
LEAST_ERROR_S = 0.010
"""Error of one onset where the partials agree: half the median error of differences, 14 ms, over root two."""
TRUSTED_PARTIALS = 4
"""Own partials that an onset needs to be told: with three, 4 claims in 100 fewer are right."""


@dataclass(frozen=True)
class Edge:
    """One edge of a note.

    ``time_s``; its standard error; and whether it is one: the level before (after) is well under that of the note.
    """

    time_s: float
    error_s: float
    clear: bool


def onset(levels: Floats, *, guess: int, instrument: str) -> tuple[float, float, bool]:
    """Where a note begins: hops after the first, its standard error in s, and whether it is clear.

    Parameters
    ----------
    levels : (own partials, n) linear levels every ``HOP_S``; at least ``BEFORE`` of them before ``guess`` and ``AFTER``
        after it.
    guess : first guess.
    """
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
    # What falls where a note should begin is no onset.
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
    rise = float(np.median(height[:, at]))
    before = float(np.median(mean - height[:, at] * ramps.middle[at]))
    clear = rise > 0 and before < FRESH_SHARE * (before + rise) and abs(start) < SEARCH_S - STEP_S
    place = guess + (start + PASSED * RAMPS_S[best]) / HOP_S
    return float(place), float(np.hypot(spread, LEAST_ERROR_S)), bool(clear)


def _least(total: Floats, ramp: int, count: int) -> float:
    return float(total[ramp * count : (ramp + 1) * count].min())


def edges(levels: Floats, *, first_s: float, begins: int, ends: int, instrument: str) -> tuple[Edge, Edge]:
    """Where a note begins and ends, from levels from ``first_s`` on and first guesses (which hop) of both."""
    n = levels.shape[1]
    start, error, clear = onset(levels, guess=begins, instrument=instrument)
    end, end_error, end_clear = onset(levels[:, ::-1], guess=n - 1 - ends, instrument=instrument)
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
