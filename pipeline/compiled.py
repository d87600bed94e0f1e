"""How loops are compiled; what they need of units, probability and spectra; medians and spreads of short stretches."""

import math
from functools import partial
from typing import Any

import numpy as np
from numba import njit

from pipeline import units
from pipeline.units import Floats

compiled = partial(njit, cache=True, no_cfunc_wrapper=True)
"""Decorates a loop that is compiled at its first use and kept on disk. Nobody calls one from C, and what lets them
would take a fifteenth of the compiling."""
compiled_within = partial(compiled, no_cpython_wrapper=True)
"""The same for what other loops alone call: what lets Python call it takes .03 s of compiling each time.
Called from Python it has no code to go to, and ends the process; its text can be called there as ``name.py_func``."""

cents_of_ratio = compiled(inline="always")(units.cents_of_ratio)
ratio_of_cents = compiled(inline="always")(units.ratio_of_cents)
db_of_power = compiled(inline="always")(units.db_of_power)


@compiled(inline="always")
def bell(z: float) -> float:
    """Normal density over that at its mean, ``z`` standard deviations away."""
    return math.exp(-0.5 * z * z)


@compiled()
def log_sum(values: Any, count: int, other: float) -> float:
    """Logarithm of the sum of the exponentials of the first ``count`` of ``values`` and of one other."""
    top = other
    for i in range(count):
        top = max(top, values[i])
    total = math.exp(other - top)
    for i in range(count):
        total += math.exp(values[i] - top)
    return top + math.log(total)


@compiled()
def windowed(frames: Any, window: Any, out: Any) -> None:
    """Frames (n, m) of a sound times a window (m,) into the first columns of ``out``; what lies beyond stays."""
    for t in range(frames.shape[0]):
        for i in range(window.shape[0]):
            out[t, i] = frames[t, i] * window[i]


@compiled()
def magnitudes_of(spectra: Any, out: Any) -> None:
    """Magnitudes of complex numbers (frames, bins) in single precision, a tenth of the time of ``numpy.abs``."""
    for t in range(spectra.shape[0]):
        for k in range(spectra.shape[1]):
            re = spectra[t, k].real
            im = spectra[t, k].imag
            out[t, k] = np.sqrt(re * re + im * im)


# Divisions are vectorised only where none is looked at for being by zero.
@compiled_within(error_model="numpy")
def log1p(values: Any, bits: Any, exponent: Any) -> None:
    """Natural log of 1 + values (n,) in place, values >= 0, in single precision; error below 2e-5.

    Exponent from their ``bits``, which are the same memory; of the mantissa m in [1, 2), ln m = 2 artanh((m - 1) /
    (m + 1)) to the seventh power. ``exponent`` (n,) is scratch.
    """
    one = np.float32(1.0)
    for i in range(values.shape[0]):
        values[i] += one
    for i in range(values.shape[0]):
        exponent[i] = np.float32((bits[i] >> 23) - 127) * np.float32(0.6931472)
        bits[i] = (bits[i] & 0x7FFFFF) | 0x3F800000
    for i in range(values.shape[0]):
        u = (values[i] - one) / (values[i] + one)
        v = u * u
        series = one + v * (np.float32(1 / 3) + v * (np.float32(1 / 5) + v * np.float32(1 / 7)))
        values[i] = exponent[i] + np.float32(2.0) * u * series


@compiled_within(error_model="numpy")
def less_moving_mean(values: Any, half: int, sums: Any, out: Any) -> None:
    """``values`` (n,) less the mean of each and ``half`` to either side, as many as there are, into ``out`` (n,).

    Single precision. ``sums`` (n + 1,) is scratch, its first 0.
    """
    n = values.shape[0]
    total = np.float32(0.0)
    for i in range(n):
        total += values[i]
        sums[i + 1] = total
    for i in range(min(half, n)):
        end = min(n, i + half + 1)
        out[i] = values[i] - sums[end] / np.float32(end)
    # Over shifted views: with indices of their own, several values would not go at once.
    middle, inner = values[half : n - half], out[half : n - half]
    before, after = sums[: n - 2 * half], sums[2 * half + 1 :]
    whole = np.float32(2 * half + 1)
    for i in range(inner.shape[0]):
        inner[i] = middle[i] - (after[i] - before[i]) / whole
    for i in range(max(half, n - half), n):
        start = i - half
        out[i] = values[i] - (sums[n] - sums[start]) / np.float32(n - start)


def mean(values: Any) -> float:
    """Mean of a few dozen values or truths, as numpy's, which takes four times as long over it."""
    return float(np.add.reduce(values) / values.size)


def quantiles(rows: Any, share: float) -> Any:
    """The quantile (n,) of each row (n, m), as numpy's, which parts the rows four times where once is enough."""
    place = share * (rows.shape[1] - 1)
    at = int(place)
    parted = np.partition(rows, at, axis=1)
    below = parted[:, at]
    if rows.shape[1] == 1:
        return below
    above, beyond = parted[:, at + 1 :].min(axis=1), place - at
    apart = above - below
    return np.asarray(above - apart * (1.0 - beyond) if beyond >= 0.5 else below + apart * beyond)


# Loops in place of numpy's masks, sorts and means, each of which takes a second to compile.
@compiled()
def median_of_known(values: Floats) -> float:
    """Median of the values that are not NaN or infinite; NaN if there are none. numpy's is slow on a few dozen."""
    known = np.empty(values.size)
    count = 0
    for value in values:
        if math.isfinite(value):
            known[count] = value
            count += 1
    if count == 0:
        return np.nan
    step = count // 2
    while step > 0:  # Shell's sort
        for i in range(step, count):
            value, at = known[i], i
            while at >= step and known[at - step] > value:
                known[at] = known[at - step]
                at -= step
            known[at] = value
        step //= 2
    half = count // 2
    return float(known[half] if count % 2 else 0.5 * (known[half - 1] + known[half]))


@compiled()
def spread_of_known(values: Floats) -> float:
    """Standard deviation of the values that are not NaN or infinite; NaN if there are none."""
    total, count = 0.0, 0
    for value in values:
        if math.isfinite(value):
            total += value
            count += 1
    if count == 0:
        return np.nan
    mean, squares = total / count, 0.0
    for value in values:
        if math.isfinite(value):
            squares += (value - mean) ** 2
    return math.sqrt(squares / count)
