"""Magnitude spectra of many frames at once: sixteen frames are transformed side by side, a lane of the processor each.

A library transforms one frame after another and cannot know that half of each is zeros. Here the samples of a frame
make complex numbers by twos; the even and the odd places of their padded transform are transforms of 256, in four
passes of radix 4 that all look alike (Pease, "An adaptation of the fast Fourier transform for parallel processing",
Journal of the ACM 15, 1968); and the spectrum follows from pairs of places (Cooley, Lewis and Welch, "The fast Fourier
transform algorithm: programming considerations in the calculation of sine, cosine and Laplace transforms", Journal of
Sound and Vibration 12, 1970).
"""

from functools import cache

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within

F32 = npt.NDArray[np.float32]

FFT_SIZE = 1024  # samples of a frame with the zeros that pad it
BINS = FFT_SIZE // 2 + 1
"""Places of a spectrum."""
LANES = 16
"""Frames side by side."""
# Places of the transform of the even samples' or the odd ones', and of a quarter of these.
_HALF = FFT_SIZE // 4
_QUARTER = _HALF // 4
# An empty row after each quarter: at powers of two apart, all would compete for the same places of the cache.
_NEXT = (_QUARTER + 1) * LANES
_IMAGINARY = 4 * _NEXT
SCRATCH = 3 * 2 * _IMAGINARY + BINS * LANES
"""Numbers that ``framed_magnitudes`` needs beside its output."""


@cache
def _turns() -> F32:
    """Cosine and sine (n, 2) of the turns by -2 pi k / ``FFT_SIZE``."""
    angle = -2.0 * np.pi * np.arange(FFT_SIZE) / FFT_SIZE
    return np.stack((np.cos(angle), np.sin(angle)), axis=1).astype(np.float32)


@cache
def _turns_between() -> F32:
    """Cosines and sines (2, numbers) that turn a transform of 256 by half a place, as the numbers of all lanes lie."""
    rows = np.pad(_turns()[: 2 * _HALF : 2].T.reshape(2, 4, _QUARTER), ((0, 0), (0, 0), (0, 1)))
    return np.ascontiguousarray(np.repeat(rows.reshape(2, -1), LANES, axis=1))


@cache
def _places() -> npt.NDArray[np.int64]:
    """Where the passes leave each place of a transform of 256: at its number with the digits to base 4 reversed."""
    number = np.ascontiguousarray(np.arange(_HALF).reshape(4, 4, 4, 4).T.ravel())
    return (number + number // _QUARTER) * LANES


def framed_magnitudes(samples: F32, *, start: int, hop: int, window: F32, scratch: F32, out: F32) -> None:
    """Magnitudes of the transforms of windowed frames of ``samples``, into ``out`` (frames, ``BINS``).

    Frames begin at ``start`` and every ``hop`` samples, all inside; ``window`` has a multiple of 16 samples, 512 or
    fewer, ``scratch`` has ``SCRATCH`` numbers.
    """
    z, x, y = scratch[: 6 * _IMAGINARY].reshape(3, 2 * _IMAGINARY)
    z[:] = 0.0
    cosine, sine = _turns_between()
    tables = _turns(), cosine, sine, _places()
    _framed_magnitudes(samples, start, hop, window, *tables, z, x, y, scratch[6 * _IMAGINARY :], out)


@compiled()
def _framed_magnitudes(samples, start, hop, window, turns, cosine, sine, places, z, x, y, lanes, out):  # type: ignore[no-untyped-def]
    for t in range(0, out.shape[0], LANES):
        count = min(LANES, out.shape[0] - t)
        _load(samples, start + t * hop, hop, count, window, z)
        for i in range(z.shape[0]):
            x[i] = z[i]
        for odd in range(2):
            if odd:
                for i in range(_IMAGINARY):
                    x[i] = z[i] * cosine[i] - z[i + _IMAGINARY] * sine[i]
                    x[i + _IMAGINARY] = z[i] * sine[i] + z[i + _IMAGINARY] * cosine[i]
            for digits in (0, 4):
                _pass(x, turns, digits, y)
                _pass(y, turns, digits + 2, x)
            _spectrum(x, places, turns, odd, lanes)
        # Eight bins of a frame at once, which lie in one line of the cache.
        for k in range(0, BINS - 1, 8):
            for lane in range(count):
                row, column = out[t + lane, k : k + 8], lanes[k * LANES + lane :]
                for i in range(8):
                    row[i] = column[i * LANES]
        for lane in range(count):
            out[t + lane, BINS - 1] = lanes[(BINS - 1) * LANES + lane]


@compiled_within()
def _load(samples, start, hop, count, window, z):  # type: ignore[no-untyped-def]
    """Windowed frames as complex numbers, those of all lanes together."""
    for i in range(0, window.shape[0] // 2, 8):
        shape = window[2 * i : 2 * i + 16]
        to = (i + i // _QUARTER) * LANES
        for lane in range(count):
            at = start + lane * hop + 2 * i
            some, re, im = samples[at : at + 16], z[to + lane :], z[to + lane + _IMAGINARY :]
            for k in range(8):
                re[k * LANES] = some[2 * k] * shape[2 * k]
                im[k * LANES] = some[2 * k + 1] * shape[2 * k + 1]


@compiled_within()
def _pass(x, turns, digits, y):  # type: ignore[no-untyped-def]
    """One pass of radix 4 from ``x`` into ``y``, with ``digits`` bits of their places done."""
    for i in range(_QUARTER):
        turn = 4 * ((i >> digits) << digits)
        c1, s1 = turns[turn, 0], turns[turn, 1]
        c2, s2 = turns[2 * turn, 0], turns[2 * turn, 1]
        c3, s3 = turns[3 * turn, 0], turns[3 * turn, 1]
        at = i * LANES
        beyond = 3 * at + i // LANES * LANES
        # All offsets are constants, so that the compiler sees that nothing read is written.
        for k in range(at, at + LANES):
            ar, ai = x[k], x[k + _IMAGINARY]
            br, bi = x[k + _NEXT], x[k + _NEXT + _IMAGINARY]
            cr, ci = x[k + 2 * _NEXT], x[k + 2 * _NEXT + _IMAGINARY]
            dr, di = x[k + 3 * _NEXT], x[k + 3 * _NEXT + _IMAGINARY]
            sum_r, sum_i, less_r, less_i = ar + cr, ai + ci, ar - cr, ai - ci
            more_r, more_i, turned_r, turned_i = br + dr, bi + di, bi - di, dr - br
            to = k + beyond
            y[to], y[to + _IMAGINARY] = sum_r + more_r, sum_i + more_i
            er, ei = less_r + turned_r, less_i + turned_i
            y[to + LANES], y[to + LANES + _IMAGINARY] = er * c1 - ei * s1, er * s1 + ei * c1
            er, ei = sum_r - more_r, sum_i - more_i
            y[to + 2 * LANES], y[to + 2 * LANES + _IMAGINARY] = er * c2 - ei * s2, er * s2 + ei * c2
            er, ei = less_r - turned_r, less_i - turned_i
            y[to + 3 * LANES], y[to + 3 * LANES + _IMAGINARY] = er * c3 - ei * s3, er * s3 + ei * c3


@compiled_within()
def _spectrum(x, places, turns, odd, out):  # type: ignore[no-untyped-def]
    """Magnitudes at the even or the odd bins, by pairs: bin k and bin 512 - k hang on the same two numbers."""
    half = np.float32(0.5)
    for j in range(_HALF // 2 + 1 - odd):
        k = 2 * j + odd
        a, b = places[j], places[(_HALF - odd - j) % _HALF]
        c, s = turns[k, 0], turns[k, 1]
        one, other = x[a : a + _IMAGINARY + LANES], x[b : b + _IMAGINARY + LANES]
        low, high = out[k * LANES : (k + 1) * LANES], out[(2 * _HALF - k) * LANES : (2 * _HALF - k + 1) * LANES]
        for lane in range(LANES):
            er, ei = half * (one[lane] + other[lane]), half * (one[lane + _IMAGINARY] - other[lane + _IMAGINARY])
            fr, fi = half * (one[lane + _IMAGINARY] + other[lane + _IMAGINARY]), half * (other[lane] - one[lane])
            gr, gi = fr * c - fi * s, fr * s + fi * c
            low[lane] = np.sqrt((er + gr) * (er + gr) + (ei + gi) * (ei + gi))
            high[lane] = np.sqrt((er - gr) * (er - gr) + (ei - gi) * (ei - gi))
