"""A tiny network that says how likely each candidate pitch is the solo, from the spectrum around it.

It looks at the whitened grid at fixed distances from the candidate: at its partials, at the partials that wrong
octaves and fifths would have, and at both some time before and after (a piano's partials stand still and decay, a
bowed string's move). The same weights serve every pitch; only the pitch itself, as two numbers, lets them differ.
Trained by ``pipeline.training.melody``; the weights lie beside this file, with their training record.
"""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from pipeline.signal.melody_grid import BELOW, CONTEXT, bins_of_ratio
from pipeline.signal.spectrum import BINS_PER_SEMITONE, F32

WEIGHTS = Path(__file__).with_name("melody_weights.npz")
# Half width in bins of the moving maximum in which a wavering partial is still seen.
NEAR_BINS = 2
# Numbers that follow the taps: pitch, its square, salience, salience below the best of the frame.
EXTRAS = 4


@cache
def taps() -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Frame and bin distances (m, 2) at which the network looks at the grid, and at its moving maximum."""
    grid = [(0, bins_of_ratio(h) + d) for h in (1, 2) for d in (-2, -1, 0, 1, 2)]
    grid += [(0, bins_of_ratio(h) + d) for h in range(3, 17) for d in (-1, 0, 1)]
    others = (1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4, 4 / 3, 3 / 2, 5 / 2, 7 / 2, 9 / 2, 11 / 2)
    grid += [(0, bins_of_ratio(r)) for r in others]
    grid += [(t, bins_of_ratio(h)) for t in (-28, -14, -6, 6, 14, 28) for h in (1, 2, 3, 4)]
    grid += [(t, bins_of_ratio(h) + d) for t in (-3, 3) for h in (1, 2, 3) for d in (-2, 0, 2)]
    near = [(t, bins_of_ratio(h)) for t in (-CONTEXT, -28, -14, 14, 28, CONTEXT) for h in (1, 2, 3, 4, 5)]
    return np.array(grid, dtype=np.int64), np.array(near, dtype=np.int64)


@dataclass(frozen=True)
class Network:
    """Weights of one instrument: layers (f, a), (a, b), (b,), their offsets, and the logit of silence.

    ``calibration`` holds the coefficients of ``voicing.calibrated``.
    """

    w1: F32
    b1: F32
    w2: F32
    b2: F32
    w3: F32
    silence: float
    calibration: npt.NDArray[np.float64]


@cache
def network(instrument: str) -> Network:
    """The shipped network of an instrument."""
    with np.load(WEIGHTS, allow_pickle=False) as file:
        part: dict[str, Any] = {
            name: np.ascontiguousarray(file[f"{instrument}_{name}"], dtype=np.float32)
            for name in ("w1", "b1", "w2", "b2", "w3")
        }
        return Network(
            **part,
            silence=float(file[f"{instrument}_silence"]),
            calibration=np.asarray(file[f"{instrument}_calibration"], dtype=np.float64),
        )


def training_record() -> dict[str, Any]:
    """How the shipped weights were trained."""
    record: dict[str, Any] = json.loads(WEIGHTS.with_suffix(".json").read_text(encoding="utf-8"))
    return record


@numba.njit(cache=True)
def moving_maximum(grid, out):  # type: ignore[no-untyped-def]
    """Maximum over ``NEAR_BINS`` bins either side, along the bins."""
    n = grid.shape[1]
    for t in range(grid.shape[0]):
        for i in range(n):
            out[t, i] = grid[t, i]
        for d in range(1, NEAR_BINS + 1):
            for i in range(n - d):
                out[t, i] = max(out[t, i], grid[t, i + d])
            for i in range(d, n):
                out[t, i] = max(out[t, i], grid[t, i - d])


@numba.njit(cache=True)
def describe(grid, near, place, on_grid, on_near, midi, salience, best, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` (features,) for a place of the flat grid; ``on_grid``, ``on_near``: flat distances."""
    m = on_grid.shape[0]
    for j in range(m):
        out[j] = grid[np.uint64(place + on_grid[j])]
    tail = out[m:]
    for j in range(on_near.shape[0]):
        tail[j] = near[np.uint64(place + on_near[j])]
    m += on_near.shape[0]
    pitch = (midi - 69.0) / 24.0
    out[m] = pitch
    out[m + 1] = pitch * pitch
    out[m + 2] = salience * 0.125
    out[m + 3] = (best - salience) * 0.125


@numba.njit(cache=True)
def describe_all(  # type: ignore[no-untyped-def]
    bins, strength, high, low, split, lowest_midi, on_grid, on_near, out
):
    """Features (frames, k, f) of candidates ``bins`` (frames, k).

    ``high`` and ``low`` are each a whitened grid and its moving maximum, with ``CONTEXT`` rows more at both ends.
    """
    width = high[0].shape[1]
    grids = (high[0].ravel(), low[0].ravel())
    nears = (high[1].ravel(), low[1].ravel())
    flat = on_grid[:, 0] * width + on_grid[:, 1]
    flat_near = on_near[:, 0] * width + on_near[:, 1]
    for t in range(bins.shape[0]):
        for j in range(bins.shape[1]):
            i = bins[t, j]
            if i < 0:
                continue
            place = (t + CONTEXT) * width + BELOW + i
            midi = lowest_midi + i / BINS_PER_SEMITONE
            r = 1 if i < split else 0
            best = strength[t, 0]
            describe(grids[r], nears[r], place, flat, flat_near, midi, strength[t, j], best, out[t, j])


@numba.njit(cache=True)
def _layer(x, w, b, out):  # type: ignore[no-untyped-def]
    out[:] = b
    for f in range(x.shape[0]):
        v = x[f]
        if v != 0.0:
            row = w[f]
            for h in range(out.shape[0]):
                out[h] += v * row[h]


@numba.njit(cache=True)
def judge(features, bins, w1, b1, w2, b2, w3, logits):  # type: ignore[no-untyped-def]
    """Logits (frames, k) of the candidates from their features (frames, k, f)."""
    first = np.empty(w1.shape[1], dtype=np.float32)
    second = np.empty(w2.shape[1], dtype=np.float32)
    for t in range(bins.shape[0]):
        for j in range(bins.shape[1]):
            if bins[t, j] < 0:
                logits[t, j] = -30.0
                continue
            _layer(features[t, j], w1, b1, first)
            for h in range(first.shape[0]):
                first[h] = max(first[h], np.float32(0.0))
            _layer(first, w2, b2, second)
            total = np.float32(0.0)
            for h in range(second.shape[0]):
                total += max(second[h], np.float32(0.0)) * w3[h]
            logits[t, j] = total
