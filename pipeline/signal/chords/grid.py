"""Spectra for hearing several notes at once: one window, its noise floor, and levels on a grid of pitches.

Thirds in the low register need a window of 93 ms on the violin, 186 ms on viola and cello (``judge.WINDOWS``). Frames
come every 23.2 ms, the first centred on time 0. Levels are natural logs of 1 + magnitude over the floor, on bins of 20
cents.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import scipy.fft
import soxr

from pipeline.compiled import compiled, less_moving_mean, log1p, magnitudes_of, quantiles, windowed
from pipeline.instruments import INSTRUMENTS
from pipeline.units import A4_HZ, gain_of_db, hz_of_midi

F32 = npt.NDArray[np.float32]
RATE_HZ = 11025  # a quarter of 44.1 kHz, as the melody's
HOP = 256  # 23 ms
HOP_S = HOP / RATE_HZ
PER_SEMITONE = 5  # bins, as in the melody's grid
LOWEST_MIDI = 24.0  # C1, an octave below the cello
BINS = 88 * PER_SEMITONE + 1
"""Up to 5.3 kHz."""
WHITEN_BINS = 18
"""Half width of the moving mean that whitens the envelope: 3.6 semitones, as in the melody's spectrum."""
CONTEXT = 32
"""Frames before and after a frame that its judgement may look at: 0.74 s."""
BLOCK = 1024  # frames worked out at once: what fits the processor's cache
MARGIN_SEMITONES = 3
"""How much faster or slower than it should a transfer may run."""

# Quantile of windows one after another, smoothed over so many Hz, as the melody's floor (common practice, no source).
_FLOOR_SHARE, _FLOOR_BIN_HZ = 0.2, 250.0
_FLOOR_SEGMENT_S, _SEGMENTS_EACH_SIDE = 10.0, 2  # as the melody's floor (common practice, no source)
_FLOOR_BELOW_PEAK_DB = 55.0  # as the melody's floor (common practice, no source)
_SILENT = 1e-8  # magnitude: what rounding leaves of nothing
_AT_ONCE = 64  # frames transformed at once: what fits the processor's cache


def bins_of_midi(midi: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Places on the grid of pitches at 440 Hz."""
    return np.asarray((np.asarray(midi, dtype=np.float64) - LOWEST_MIDI) * PER_SEMITONE)


def midi_of_bins(bins: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Pitches at 440 Hz of places on the grid."""
    return np.asarray(np.asarray(bins, dtype=np.float64) / PER_SEMITONE + LOWEST_MIDI)


def search_bins(instrument: str) -> tuple[int, int]:
    """First and last + 1 bin in which notes of an instrument are looked for."""
    kind = INSTRUMENTS[instrument]
    first = bins_of_midi(kind.lowest_midi - MARGIN_SEMITONES)
    last = bins_of_midi(kind.highest_midi + MARGIN_SEMITONES)
    return int(first), int(last) + 1


def at_rate(samples: F32, *, sample_rate_hz: float) -> F32:
    """The sound at the rate of the analysis."""
    sound = np.ascontiguousarray(samples, dtype=np.float32)
    return sound if sample_rate_hz == RATE_HZ else soxr.resample(sound, sample_rate_hz, RATE_HZ, quality="HQ")


def frame_count(sound: F32) -> int:
    """Frames whose centre lies inside the sound."""
    return -(-sound.size // HOP)


@dataclass(frozen=True)
class Levels:
    """Levels of a block of frames, from ``first`` on, with ``CONTEXT`` rows more before and after.

    ``raw`` and ``white`` (frames + 2 CONTEXT, BINS): levels, and those less their moving mean over pitches beside them.
    """

    first: int
    count: int
    raw: F32
    white: F32


def blocks(sound: F32, *, window: int) -> Iterator[Levels]:
    """Levels of a sound at ``RATE_HZ``, block by block, by windows of so many samples; none of a silent one."""
    total = frame_count(sound)
    padded = np.pad(sound, (window // 2, window + HOP))
    filled = np.zeros((_AT_ONCE, 2 * window), dtype=np.float32)
    floor = _floor(padded, filled, total)
    if floor is None:
        return
    lower, fraction = _taps(window)
    for first in range(0, total, BLOCK):
        count = min(BLOCK, total - first)
        raw = np.zeros((count + 2 * CONTEXT, BINS), dtype=np.float32)
        white = np.zeros_like(raw)
        begin, end = max(first - CONTEXT, 0), min(first + count + CONTEXT, total)
        for at in range(begin, end, _AT_ONCE):
            some = min(_AT_ONCE, end - at)
            magnitude = _magnitudes(padded, filled, at, some, 1)
            place = slice(at - first + CONTEXT, at - first + CONTEXT + some)
            _levels(magnitude, _floor_at(floor, at + some / 2), lower, fraction, raw[place], white[place])
        yield Levels(first, count, raw, white)


@cache
def _hann(window: int) -> F32:
    """Scaled so that a sine of amplitude 1 peaks at 1."""
    shape = np.hanning(window + 1)[:-1]
    return np.asarray(shape * 2.0 / shape.sum(), dtype=np.float32)


def _magnitudes(padded: F32, filled: F32, first: int, count: int, step: int) -> F32:
    """Magnitudes (count, window + 1) of frames ``first, first + step, …``.

    ``filled`` (at once, 2 windows) is scratch for windowed frames, zero in its second half.
    """
    window = filled.shape[1] // 2
    frames = np.lib.stride_tricks.sliding_window_view(padded, window)[first * HOP :: step * HOP][:count]
    out = np.empty((count, window + 1), dtype=np.float32)
    for at in range(0, count, len(filled)):
        some = frames[at : at + len(filled)]
        windowed(some, _hann(window), filled)
        magnitudes_of(scipy.fft.rfft(filled[: len(some)], axis=1, workers=1), out[at : at + len(some)])
    return out


def _floor(padded: F32, filled: F32, total: int) -> F32 | None:
    """Noise floor (segments, window + 1): the 20 % quantile of the magnitudes within 50 s, smoothed over 250 Hz.

    Of every other bin, since the transform is twice as long as the window. Never more than 55 dB below the loud frames
    of the side; None where all is silent.
    """
    segment = round(_FLOOR_SEGMENT_S / HOP_S)
    window = filled.shape[1] // 2
    step = window // HOP
    parts = []
    for first in range(0, total, segment):
        count = -(-(min(total, first + segment) - first) // step)
        parts.append(np.ascontiguousarray(_magnitudes(padded, filled, first, count, step)[:, ::2].T))
    top = float(np.quantile(np.concatenate([part.max(axis=0) for part in parts]), 0.95)) if parts else 0.0
    if not top > _SILENT:
        return None
    least = max(top * gain_of_db(-_FLOOR_BELOW_PEAK_DB), 1e-9)
    width = max(3, round(_FLOOR_BIN_HZ / (RATE_HZ / window)) | 1)
    rows = []
    for s in range(len(parts)):
        near = np.concatenate(parts[max(0, s - _SEGMENTS_EACH_SIDE) : s + _SEGMENTS_EACH_SIDE + 1], axis=1)
        low = quantiles(near, _FLOOR_SHARE)
        view = np.lib.stride_tricks.sliding_window_view(np.pad(low, width // 2, mode="reflect"), width)
        rows.append(np.maximum(np.repeat(quantiles(view, 0.4), 2)[:-1], least))
    return np.array(rows, dtype=np.float32)


def _floor_at(floor: F32, frame: float) -> F32:
    place = float(np.clip(frame * HOP_S / _FLOOR_SEGMENT_S - 0.5, 0.0, len(floor) - 1.0))
    low = int(place)
    high = min(low + 1, len(floor) - 1)
    share = np.float32(place - low)
    return np.asarray(floor[low] * (1 - share) + floor[high] * share)


def _taps(window: int) -> tuple[npt.NDArray[np.int64], F32]:
    """Lower transform bin and fraction of each bin of the grid."""
    hz = hz_of_midi(midi_of_bins(np.arange(BINS)), reference_pitch_hz=A4_HZ)
    place = hz / (RATE_HZ / (2 * window))
    lower = np.minimum(np.floor(place).astype(np.int64), window - 1)
    return lower, np.asarray(place - lower, dtype=np.float32)


def _levels(magnitude: F32, floor: F32, lower: npt.NDArray[np.int64], fraction: F32, raw: F32, white: F32) -> None:
    """Levels of frames, and those less their moving mean, into ``raw`` and ``white`` (frames, BINS)."""
    logs, exponent = np.empty((2, BINS), dtype=np.float32)
    ratio, sums = np.empty(floor.size, dtype=np.float32), np.zeros(BINS + 1, dtype=np.float32)
    _fill_levels(magnitude, floor, lower, fraction, ratio, logs, logs.view(np.int32), exponent, sums, raw, white)


@compiled(error_model="numpy")
def _fill_levels(magnitude, floor, lower, fraction, ratio, logs, bits, exponent, sums, raw, white):  # type: ignore[no-untyped-def]
    n = lower.shape[0]
    for t in range(magnitude.shape[0]):
        for k in range(ratio.shape[0]):
            ratio[k] = magnitude[t, k] / floor[k]
        for i in range(n):
            b = np.uint64(lower[i])
            logs[i] = ratio[b] + fraction[i] * (ratio[b + np.uint64(1)] - ratio[b])
        log1p(logs, bits, exponent)
        for i in range(n):
            raw[t, i] = logs[i]
        less_moving_mean(logs, WHITEN_BINS, sums, white[t])
