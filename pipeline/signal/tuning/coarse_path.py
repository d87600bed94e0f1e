"""A coarse tuning path modulo a semitone: the mode of the deviations along the side, unwrapped."""

import numpy as np
import numpy.typing as npt
from scipy.ndimage import convolve1d

from pipeline.compiled import compiled
from pipeline.units import Floats

# A first look only, which the spline betters: its numbers decide next to nothing (common practice, no source).
_SLOT_S = 1.0
_WINDOW_S = 8.0
_BINS = 50
_BLUR_CENTS = 8.0
_MOST_CENTS_PER_S = 6.0
_COST_PER_BIN = 0.3


def wrap100(cents: npt.ArrayLike) -> Floats:
    """Cents modulo a semitone, in [-50, 50)."""
    values = np.asarray(cents, dtype=np.float64)
    return np.asarray(values - 100.0 * np.floor(values / 100.0 + 0.5))


def coarse_path(time_s: Floats, cents: Floats, weight: Floats, *, length_s: float) -> tuple[Floats, Floats, Floats]:
    """Path of the tuning deviation on slots of one second, by the cheapest path over a circular histogram.

    Parameters
    ----------
    time_s, cents, weight : shape (n,), the points.
    length_s : length of the side.

    Returns
    -------
    Slot times, the unwrapped path in cents (its first value in [-50, 50)), and how peaked the histogram is at
    each slot (0 flat, 1 all in one place); each of shape (slots,).
    """
    slots = max(2, int(np.ceil(length_s / _SLOT_S)) + 1)
    at = np.arange(slots, dtype=np.float64) * _SLOT_S
    width = 100.0 / _BINS
    table = np.zeros((slots, _BINS))
    bins = (np.floor(wrap100(cents) / width).astype(np.int64)) % _BINS
    rows = np.clip(np.round(time_s / _SLOT_S).astype(np.int64), 0, slots - 1)
    np.add.at(table, (rows, bins), weight)
    reach = int(_WINDOW_S / _SLOT_S / 2)
    window = np.hanning(2 * reach + 3)[1:-1]
    table = convolve1d(table, window, axis=0, mode="constant")  # of a short side's length, too
    lag = wrap100(width * np.arange(_BINS))
    blur = np.exp(-0.5 * (lag / _BLUR_CENTS) ** 2)
    table = np.fft.irfft(np.fft.rfft(table, axis=1) * np.fft.rfft(blur), n=_BINS, axis=1)
    total = table.sum(axis=1)
    peaked = np.where(total > 0, (table.max(axis=1) / np.maximum(total, 1e-12) * _BINS - 1.0), 0.0)
    peaked /= _BINS / blur.sum() - 1.0
    top = table.max(axis=1)
    score = 10.0 * table / max(float(np.median(top)), float(top.max()) * 0.2, 1e-12)
    most = int(_MOST_CENTS_PER_S * _SLOT_S / width)
    place, moves = _cheapest(score, most)
    start = float(wrap100((place + 0.5) * width))
    return at, start + np.cumsum(moves) * width, peaked


@compiled()
def _cheapest(score: Floats, most: int) -> tuple[int, Floats]:
    # first bin and the moves, in bins, of the path of highest score; every bin of a move costs
    slots, bins = score.shape
    best = score[0].copy()
    back = np.empty((slots, bins), np.int64)
    for i in range(1, slots):
        last = best.copy()
        for b in range(bins):
            top = -np.inf
            for step in range(-most, most + 1):
                value = last[(b - step) % bins] - _COST_PER_BIN * abs(step)
                if value > top:
                    top = value
                    back[i, b] = step
            best[b] = top + score[i, b]
    place = 0
    for b in range(1, bins):
        if best[b] > best[place]:
            place = b
    moves = np.empty(slots)
    moves[0] = 0.0
    for i in range(slots - 1, 0, -1):
        moves[i] = back[i, place]
        place = (place - back[i, place]) % bins
    return place, moves
