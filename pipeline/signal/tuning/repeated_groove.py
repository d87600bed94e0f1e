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

from pipeline.compiled import compiled
from pipeline.signal.tuning.partials import RATE_HZ
from pipeline.units import hz_of_rpm

Samples = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]

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
# What agrees does so in the lower frequencies too, up to a quarter of the rate; half the samples tell that nearly all
# windows do not: on sides that hold none, 19 in 20 reach at most .19. An agreement of .3 seen half a coarse sample
# beside its place is .19 still.
_COARSE, _LIKELY_AGREEMENT = 2, 0.19


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
    starts = _likely(_flattened(slow, _COARSE), np.arange(0, max(slow.size - size, 0), hop), size)
    if not starts.size:
        return ()
    flat = _flattened(slow)
    found: list[Repeat] = []
    for start, lag in _agreeing(flat, starts, size):
        if found and (start + lag + size) / RATE_HZ <= found[-1].end_s:
            continue
        repeat = _bounded(flat, start, lag, size)
        if repeat is not None and (not found or repeat.start_s >= found[-1].end_s - _BOUND_S):
            found.append(repeat)
    return tuple(found)


def _flattened(slow: Samples, coarser: int = 1) -> Samples:
    """The sound with every frequency of every moment as strong; nothing where there is digital silence.

    Every so many samples (``coarser``), without the frequencies that these cannot hold.
    """
    frame, step = _FRAME // coarser, _STEP // coarser
    out = np.zeros(slow.size // coarser + frame, dtype=np.float32)
    if slow.size < _FRAME:
        return out[: slow.size // coarser]
    window = np.sqrt(np.hanning(_FRAME + 1)[:-1]).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(slow, _FRAME)[::_STEP]
    least = 1e-6 * float(np.abs(slow).max()) * _FRAME + 1e-30
    for first in range(0, frames.shape[0], _BATCH):
        spectra = fft.rfft(frames[first : first + _BATCH] * window, axis=1)[:, : frame // 2 + 1]
        _evened(spectra, np.float32(least))
        spectra[:, :4] = 0.0  # rumble and direct current
        parts = fft.irfft(spectra, frame, axis=1) * window[::coarser]
        for k in range(0, frame, step):
            begin = first * step + k
            out[begin : begin + len(parts) * step] += parts[:, k : k + step].ravel()
    return out[: slow.size // coarser]


@compiled(error_model="numpy")
def _evened(spectra, least):  # type: ignore[no-untyped-def]
    """Divides each complex number by its magnitude, in place; ``least`` is added to that."""
    for t in range(spectra.shape[0]):
        for k in range(spectra.shape[1]):
            re, im = spectra[t, k].real, spectra[t, k].imag
            share = np.float32(1.0) / (np.sqrt(re * re + im * im) + least)
            spectra[t, k] = complex(re * share, im * share)


def _turns() -> list[slice]:
    """The lags, in samples, of one whole turn, of two and so on."""
    return [
        slice(int(np.ceil(k * RATE_HZ / hz_of_rpm(FASTEST_RPM))), int(k * RATE_HZ / hz_of_rpm(SLOWEST_RPM)) + 1)
        for k in range(1, MOST_TURNS + 1)
    ]


def _likely(coarse: Samples, starts: Ints, size: int) -> Ints:
    """Those of the windows at ``starts`` that may sound again, by the lower frequencies alone: few."""
    lags = [slice(span.start // _COARSE, span.stop // _COARSE + 1) for span in _turns()]
    windows = _Windows(coarse, size // _COARSE, lags)
    parts = (starts[first : first + _BATCH] for first in range(0, starts.size, _BATCH))
    likely = [part[windows.agreements(part // _COARSE).max(axis=1) >= _LIKELY_AGREEMENT] for part in parts]
    return np.concatenate(likely) if likely else starts


def _agreeing(flat: Samples, starts: Ints, size: int) -> list[tuple[int, int]]:
    """Of the windows at ``starts`` those that sound again, with their lags, both in samples."""
    turns = _turns()
    windows = _Windows(flat, size, [slice(0, turns[-1].stop + round(_RIVAL_S * RATE_HZ))])
    found: list[tuple[int, int]] = []
    for start in starts:
        agreement = windows.agreements(np.array([start]))[0]
        lag = max((span.start + int(np.argmax(agreement[span])) for span in turns), key=agreement.__getitem__)
        if agreement[lag] >= LEAST_AGREEMENT and _alone(agreement, lag):
            found.append((int(start), lag))
    return found


class _Windows:
    """Windows of ``size`` samples of a sound, each beside those ``lags`` later, which come in some spans."""

    def __init__(self, flat: Samples, size: int, lags: list[slice]) -> None:
        self.lags = lags
        reach = max(span.stop - span.start for span in lags) - 1 + size
        self.length = fft.next_fast_len(reach, real=True)
        padded = np.concatenate((flat, np.zeros(lags[-1].stop + reach, dtype=np.float32)))
        self.here, self.there = (np.lib.stride_tricks.sliding_window_view(padded, n) for n in (size, reach))
        sums = np.concatenate(([0.0], np.cumsum(padded.astype(np.float64) ** 2)))
        self.energy = sums[size:] - sums[:-size]
        self.energy[max(flat.size - size + 1, 0) :] = 0.0  # of windows that are cut

    def agreements(self, starts: Ints) -> npt.NDArray[np.floating]:
        """Correlations (n, m) of the windows at ``starts`` (n,) with later ones; 0 where one is silent or cut."""
        here = np.conj(fft.rfft(self.here[starts], self.length, axis=1))
        own = self.energy[starts][:, np.newaxis]
        found = []
        for span in self.lags:
            there = fft.rfft(self.there[starts + span.start], self.length, axis=1)
            product = fft.irfft(here * there, self.length, axis=1)[:, : span.stop - span.start]
            other = self.energy[starts[:, np.newaxis] + np.arange(span.start, span.stop)]
            sounding = (own > 0.0) & (other > _LEAST_ENERGY * own)
            found.append(np.where(sounding, product / np.sqrt(np.maximum(own * other, 1e-12)), 0.0))
        return np.concatenate(found, axis=1)


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
