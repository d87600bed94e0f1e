"""Grooves that sound twice: where the stylus falls back by a turn, or stays in one groove.

What is heard then is the same sound again, noise and clicks of the surface and all, exactly one turn later (or two,
or three). Music that repeats itself never does so wave for wave. The spectrum is flattened first, so that what counts
is the noise between the partials as much as they; a held tone, which agrees with itself period after period, is told by
the rival agreements nearby.

A stylus that jumps ahead leaves no such trace: what is missing cannot be told from a new note with a click.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import uniform_filter1d

from pipeline.signal.tuning.partials import RATE_HZ
from pipeline.units import Floats, hz_of_rpm

Samples = npt.NDArray[np.float32]

# Turntables at 72 to 85 turns a minute in the file's own time, and falling back by at most so many turns.
SLOWEST_RPM, FASTEST_RPM, MOST_TURNS = 72.0, 85.0, 3
# A window fits into one turn even where it begins half its length late.
_WINDOW_S, _HOP_S = 0.5, 0.25
# Agreement (correlation of flattened sound): chance gives up to .08; falling back .5-1 in trials with record noise,
# lossy coding and a turntable that is uneven by 0.05 %. A rival is another agreement within 40 ms.
LEAST_AGREEMENT, LEAST_OVER_RIVAL = 0.3, 2.0
_PEAK_S, _RIVAL_S = 0.0015, 0.04
# Bounds are where the agreement over this time falls to half; and that much of a turn must have sounded again.
_BOUND_S, _LEAST_OF_LAG = 0.12, 0.8
# Flattened sound is of one strength throughout, but where digital silence begins.
_LEAST_ENERGY = 0.25
_FRAME, _STEP = 512, 128
_BATCH = 64


@dataclass(frozen=True)
class Repeat:
    """What sounds again from ``start_s`` to ``end_s`` of transfer time, ``lag_s`` after it was first heard."""

    start_s: float
    end_s: float
    lag_s: float
    turns: int
    agreement: float


def repeated_grooves(slow: Samples) -> tuple[Repeat, ...]:
    """Stretches that repeat what sounded one to three turns before, in time order, not overlapping.

    Parameters
    ----------
    slow : shape (n,), samples at ``partials.RATE_HZ``.
    """
    size, hop = round(_WINDOW_S * RATE_HZ), round(_HOP_S * RATE_HZ)
    flat = _flattened(slow)
    found: list[Repeat] = []
    for start, lag in _agreeing(flat, size, hop):
        if found and (start + lag + size) / RATE_HZ <= found[-1].end_s:
            continue
        repeat = _bounded(flat, start, lag, size)
        if repeat is not None and (not found or repeat.start_s >= found[-1].end_s - _BOUND_S):
            found.append(repeat)
    return tuple(found)


def _flattened(slow: Samples) -> Samples:
    """The sound with every frequency of every moment as strong; nothing where there is digital silence."""
    out = np.zeros(slow.size + _FRAME, dtype=np.float32)
    if slow.size < _FRAME:
        return out[: slow.size]
    window = np.sqrt(np.hanning(_FRAME + 1)[:-1]).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(slow, _FRAME)[::_STEP]
    least = 1e-6 * float(np.abs(slow).max()) * _FRAME + 1e-30
    for first in range(0, frames.shape[0], 4 * _BATCH):
        spectra = fft.rfft(frames[first : first + 4 * _BATCH] * window, axis=1)
        spectra /= np.abs(spectra) + least
        spectra[:, :4] = 0.0  # rumble and direct current
        for k, part in enumerate(fft.irfft(spectra, axis=1) * window, start=first):
            out[k * _STEP : k * _STEP + _FRAME] += part
    return out[: slow.size]


def _turns() -> list[slice]:
    """The lags, in samples, of one whole turn, of two and so on."""
    return [
        slice(int(np.ceil(k * RATE_HZ / hz_of_rpm(FASTEST_RPM))), int(k * RATE_HZ / hz_of_rpm(SLOWEST_RPM)) + 1)
        for k in range(1, MOST_TURNS + 1)
    ]


def _agreeing(flat: Samples, size: int, hop: int) -> list[tuple[int, int]]:
    """Windows that sound again, with their lags, both in samples."""
    turns, rival = _turns(), round(_RIVAL_S * RATE_HZ)
    reach = turns[-1].stop + rival + size
    padded = np.concatenate((flat, np.zeros(reach, dtype=np.float32)))
    energy = np.concatenate(([0.0], np.cumsum(padded.astype(np.float64) ** 2)))
    starts = np.arange(0, max(flat.size - size, 0), hop)
    length = fft.next_fast_len(reach, real=True)
    found: list[tuple[int, int]] = []
    for first in range(0, starts.size, _BATCH):
        at = starts[first : first + _BATCH]
        here = padded[at[:, np.newaxis] + np.arange(size)]
        there = padded[at[:, np.newaxis] + np.arange(reach)]
        both = fft.irfft(np.conj(fft.rfft(here, length, axis=1)) * fft.rfft(there, length, axis=1), length, axis=1)
        for start, product in zip(at.tolist(), both, strict=True):
            # Only few windows agree with anything at a whole turn: only of those all lags are looked at.
            window = energy, product, start, size, flat.size
            if max(_agreement(*window, span).max() for span in turns) < LEAST_AGREEMENT:
                continue
            agreement = _agreement(*window, slice(0, turns[-1].stop + rival))
            lag = max((span.start + int(np.argmax(agreement[span])) for span in turns), key=agreement.__getitem__)
            if _alone(agreement, lag):
                found.append((start, lag))
    return found


def _agreement(
    energy: Floats, product: Samples, start: int, size: int, total: int, lags: slice
) -> npt.NDArray[np.floating]:
    """Correlations of the window at ``start`` with those ``lags`` later; 0 where there is silence or the sound ends.

    ``energy`` (total + …,) is the running sum of squares, ``product`` the window's sums of products by lag.
    """
    low, high = start + lags.start, start + lags.stop
    own = energy[start + size] - energy[start]
    other = energy[low + size : high + size] - energy[low:high]
    sounding = other > _LEAST_ENERGY * own
    sounding[max(total - size - low + 1, 0) :] = False
    if not own > 0.0:
        return np.zeros(other.size)
    return np.where(sounding, product[lags] / np.sqrt(np.maximum(own * other, 1e-12)), 0.0)


def _alone(agreement: npt.NDArray[np.floating], lag: int) -> bool:
    near, far = round(_PEAK_S * RATE_HZ), round(_RIVAL_S * RATE_HZ)
    others = np.concatenate((agreement[max(lag - far, 0) : max(lag - near, 0)], agreement[lag + near + 1 : lag + far]))
    return bool(others.size == 0 or agreement[lag] >= LEAST_OVER_RIVAL * np.abs(others).max())


def _bounded(flat: Samples, start: int, lag: int, size: int) -> Repeat | None:
    """How far the agreement at this lag reaches; None where that is less than most of a turn."""
    width = round(_BOUND_S * RATE_HZ)
    low, high = max(start - 8 * lag, 0), min(start + size + 60 * lag, flat.size - lag)
    first, second = flat[low:high].astype(np.float64), flat[low + lag : high + lag].astype(np.float64)
    product, own, other = (uniform_filter1d(x, width) for x in (first * second, first**2, second**2))
    agreement = product / np.sqrt(np.maximum(own * other, 1e-12))
    middle = start - low + int(np.argmax(agreement[start - low : start - low + size]))
    level = float(agreement[middle])
    same = agreement >= 0.5 * level
    after, before = np.flatnonzero(~same[middle:]), np.flatnonzero(~same[:middle])
    end = middle + int(after[0]) if after.size else same.size
    begin = int(before[-1]) + 1 if before.size else 0
    if end - begin < _LEAST_OF_LAG * lag:
        return None
    turns = max(1, round(lag / RATE_HZ * hz_of_rpm(78.26)))
    return Repeat((low + begin + lag) / RATE_HZ, (low + end + lag) / RATE_HZ, lag / RATE_HZ, turns, level)
