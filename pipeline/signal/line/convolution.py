"""Rectified convolutions of views that lie one below the other, by minimal filtering: half the products of a plain sum.

Four neighbouring columns of an output hang on six of the input. Both are polynomials in disguise, and polynomials are
multiplied at points: six products instead of the twelve of three taps for each of four columns (F(4, 3) of Winograd,
"Arithmetic complexity of computations", SIAM 1980; Lavin and Gray, "Fast algorithms for convolutional neural networks",
CVPR 2016). Products are sums over planes as well, which are products of matrices, one for each point and tap of rows.
"""

import numpy as np
import numpy.typing as npt
from scipy.linalg.blas import sgemm

from pipeline.compiled import compiled
from pipeline.signal.line.spectrum import F32

ACROSS = 3
"""Columns that a convolution looks at."""
TILE = 4
"""Columns worked out at once; their number must be a multiple."""
POINTS = TILE + ACROSS - 1
"""Points: 0, 1, -1, 2, -2 and infinity."""
_AT_POINTS = np.array(
    [[1 / 4, 0, 0], [-1 / 6, -1 / 6, -1 / 6], [-1 / 6, 1 / 6, -1 / 6], [1 / 24, 1 / 12, 1 / 6],
     [1 / 24, -1 / 12, 1 / 6], [0, 0, 1]]
)  # fmt: skip


def convolved(x: F32, lengths: npt.NDArray[np.int64], w: F32, b: F32, *, taps: int, apart: int) -> F32:
    """Rectified convolution of views ``x`` (rows, columns, c), of ``lengths`` rows each, with ``w`` (taps, 3 c, d).

    ``taps`` rows are looked at, ``apart`` rows from each other, and 3 columns; what lies outside a view is 0. Float32
    sums differ from plain ones by some 1e-6 of their terms.
    """
    rows, columns, planes = x.shape
    tiles, reach = columns // TILE, taps // 2 * apart
    # Between views lie so many empty rows, as before the first and after the last.
    row = np.arange(rows) + reach * np.repeat(np.arange(lengths.size), lengths)
    spread = rows + reach * (lengths.size - 1)
    seen = np.zeros((POINTS, spread + 2 * reach, tiles, planes), dtype=np.float32)
    _to_points(x, row + reach, seen)
    summed = np.empty((POINTS, spread, tiles, b.size), dtype=np.float32)
    weights = _weights_at_points(w.reshape(taps, ACROSS, planes, b.size))
    for at_point, seen_there, summed_there in zip(weights, seen, summed, strict=True):
        # The library counts from the other side: matrices are handed in, and filled, as their transposes.
        flat, into = seen_there.reshape(-1, planes).T, summed_there.reshape(-1, b.size).T
        for k, of_tap in enumerate(at_point):
            first = k * apart * tiles
            some = flat[:, first : first + spread * tiles]
            sgemm(1.0, of_tap.T, some, 1.0 if k else 0.0, into, overwrite_c=True)
    out = np.empty((rows, columns, b.size), dtype=np.float32)
    _rectified_from_points(summed, row, b, out)
    return out


def _weights_at_points(w: F32) -> F32:
    """Weights (``POINTS``, taps, c, d) at the points, of weights (taps, 3, c, d)."""
    return np.ascontiguousarray(np.tensordot(_AT_POINTS, w, axes=(1, 1)), dtype=np.float32)


@compiled()
def _to_points(x, row, out):  # type: ignore[no-untyped-def]
    """Values at the points (points, rows, tiles, c) of views (rows, columns, c), each row of which goes to ``row``."""
    zero, two, four, five = np.float32(0.0), np.float32(2.0), np.float32(4.0), np.float32(5.0)
    for i in range(x.shape[0]):
        at = row[i]
        last = out.shape[2] - 1
        for t in range(out.shape[2]):
            first = TILE * t
            for k in range(x.shape[2]):
                before = x[i, first - 1, k] if t > 0 else zero
                a, b, c, d = x[i, first, k], x[i, first + 1, k], x[i, first + 2, k], x[i, first + 3, k]
                after = x[i, first + 4, k] if t < last else zero
                even, odd = d - four * b, c - four * a
                out[0, at, t, k] = four * before - five * b + d
                out[1, at, t, k] = even + odd
                out[2, at, t, k] = even - odd
                even, odd = d - b, two * (c - a)
                out[3, at, t, k] = even + odd
                out[4, at, t, k] = even - odd
                out[5, at, t, k] = four * a - five * c + after


@compiled()
def _rectified_from_points(summed, row, offsets, out):  # type: ignore[no-untyped-def]
    """Sums (rows, columns, d), with ``offsets`` (d,) and without what is negative, of their values at the points."""
    zero, two, four, eight = np.float32(0.0), np.float32(2.0), np.float32(4.0), np.float32(8.0)
    for i in range(out.shape[0]):
        at = row[i]
        for t in range(summed.shape[2]):
            first = TILE * t
            for k in range(out.shape[2]):
                one, minus_one, plus_two, minus_two = (
                    summed[1, at, t, k],
                    summed[2, at, t, k],
                    summed[3, at, t, k],
                    summed[4, at, t, k],
                )
                even, odd = one + minus_one, one - minus_one
                even_two, odd_two = plus_two + minus_two, plus_two - minus_two
                a = summed[0, at, t, k] + even + even_two + offsets[k]
                b = odd + two * odd_two + offsets[k]
                c = even + four * even_two + offsets[k]
                d = odd + eight * odd_two + summed[5, at, t, k] + offsets[k]
                out[i, first, k] = a if a > zero else zero
                out[i, first + 1, k] = b if b > zero else zero
                out[i, first + 2, k] = c if c > zero else zero
                out[i, first + 3, k] = d if d > zero else zero
