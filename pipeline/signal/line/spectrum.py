"""Spectra for following a melody: resampling, framed magnitudes, the noise floor and a whitened pitch grid.

A *register* is one resolution of the analysis: the rate to which the sound is brought, from which everything else
follows, since every register uses a 512-sample Hann window and a 1024-point transform. At 11,025 Hz the window is
46 ms (partials 86 Hz apart are separate), at half that rate 93 ms (43 Hz apart). Frames of all registers are
centred on the same times, 5.8 ms apart, the first at time 0.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import soxr

from pipeline.compiled import compiled, less_moving_mean, log1p, quantiles
from pipeline.signal.line.transform import BINS, FFT_SIZE, SCRATCH, framed_magnitudes
from pipeline.units import A4_HZ, gain_of_db, hz_of_midi

F32 = npt.NDArray[np.float32]

BASE_RATE_HZ = 11025  # a quarter of 44.1 kHz: up to 5.5 kHz, more than acoustic discs hold
# 46 ms: parts partials 90 Hz apart (Harris 1978), and a shift of 60 ms is still seen (common practice, no source).
WINDOW = 512
# Half of it, to tell a quick glide from a leap that the longer one smears; parts partials 170 Hz apart.
QUICK_WINDOW = 256
HOP_S = 64 / BASE_RATE_HZ  # 5.8 ms
BINS_PER_SEMITONE = 5  # 20 cents, refined later (common practice, no source)
# Half width of the moving mean that whitens the envelope: 3.6 semitones.
WHITEN_BINS = 18

# Zeros before and after a sound.
_PADDING = WINDOW // 2, WINDOW
# Levels of the histogram start at a magnitude of 2^-27 (-163 dB).
_FLOOR_FIRST = (127 - 27) * 8
_FLOOR_LEVELS = 36 * 8
_SILENT = 1e-8  # magnitude: what rounding leaves of nothing
_FLOOR_SHARE = 0.20  # quantile of the magnitudes that is noise (common practice, no source)
_FLOOR_BELOW_PEAK_DB = 55.0  # the floor of a disc is never further below its music (common practice, no source)
_SEGMENT_S = 10.0  # how slowly the floor changes (common practice, no source)
_SEGMENTS_EACH_SIDE = 2  # 50 s in all (common practice, no source)


@dataclass(frozen=True)
class Register:
    """One resolution: ``halvings`` of the base rate, and what follows from it."""

    halvings: int

    @property
    def rate_hz(self) -> float:
        """Sample rate of the analysed sound."""
        return float(BASE_RATE_HZ / 2**self.halvings)

    @property
    def hop(self) -> int:
        """Samples between frames."""
        return int(64 // 2**self.halvings)

    @property
    def bin_hz(self) -> float:
        """Distance of two transform bins."""
        return self.rate_hz / FFT_SIZE


@cache
def hann(size: int = WINDOW) -> F32:
    """The periodic Hann window of every register, scaled so that a sine of amplitude 1 peaks at 1."""
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)
    return np.asarray(window * 2.0 / window.sum(), dtype=np.float32)


def resampled(samples: F32, *, sample_rate_hz: float, register: Register) -> F32:
    """The sound at a register's rate, padded so that frame 0 is centred on time 0."""
    sound = np.ascontiguousarray(samples, dtype=np.float32)
    if sample_rate_hz != register.rate_hz:
        sound = soxr.resample(sound, sample_rate_hz, register.rate_hz, quality="HQ")
    return np.pad(sound, _PADDING)


def unpadded(padded: F32) -> F32:
    """The sound that ``resampled`` has padded."""
    before, after = _PADDING
    return padded[before:-after]


def frame_count(n_samples: int, *, sample_rate_hz: float) -> int:
    """Number of frames whose centre lies inside a sound of ``n_samples``."""
    return int(np.ceil(n_samples / sample_rate_hz / HOP_S)) if n_samples else 0


class Scratch:
    """Arrays that serve one block after another: clearing the memory of a new one costs as much as filling it."""

    def __init__(self) -> None:
        self._held: dict[str, F32] = {}

    def rows(self, name: str, count: int, width: int) -> F32:
        """An array (count, width) with whatever it held; what was given under this name before is lost."""
        if name not in self._held or len(self._held[name]) < count:
            self._held[name] = np.empty((count, width), dtype=np.float32)
        return self._held[name][:count]


def magnitudes(
    padded: F32,
    *,
    register: Register,
    first: int,
    count: int,
    step: int = 1,
    scratch: Scratch | None = None,
    window: int = WINDOW,
) -> F32:
    """Magnitude spectra (count, 513) of frames ``first, first + step, …``; frames past the end are zero.

    ``window`` (samples) may be shorter than ``WINDOW``, about the same middles.
    """
    scratch = scratch or Scratch()
    out = scratch.rows("magnitudes", count, BINS)
    hop = register.hop * step
    start = first * register.hop + (WINDOW - window) // 2
    valid = min(count, max(0, (padded.size - window - start) // hop + 1))
    lead = (hop - 1 - start) // hop if start < 0 else 0
    out[:lead] = out[valid:] = 0.0
    if valid > lead:
        room = scratch.rows("transform", 1, SCRATCH)[0]
        framed_magnitudes(
            padded, start=start + lead * hop, hop=hop, window=hann(window), scratch=room, out=out[lead:valid]
        )
    return out


class NoiseFloor:
    """The noise floor of a side, changing slowly along it.

    Per transform bin the 20 % quantile of the magnitudes within 50 s, in windows one after another, smoothed over
    250 Hz, and never more than 55 dB below the loud frames of the side. Interpolated in between every 10 s.
    """

    def __init__(self, padded: F32, *, register: Register, n_frames: int) -> None:
        self._frames_per_segment = round(_SEGMENT_S / HOP_S)
        step = WINDOW // register.hop
        n_segments = max(1, int(np.ceil(n_frames / self._frames_per_segment)))
        bins = FFT_SIZE // 2 + 1
        counts = np.zeros((n_segments, bins, _FLOOR_LEVELS), dtype=np.int32)
        loudest = []
        for s in range(n_segments):
            first = s * self._frames_per_segment
            count = -(-(min(n_frames, first + self._frames_per_segment) - first) // step)
            block = magnitudes(padded, register=register, first=first, count=max(count, 0), step=step)
            _count_levels(block.view(np.int32), counts[s])
            loudest.append(block.max(axis=1, initial=0.0))
        top = float(np.quantile(np.concatenate(loudest), 0.95)) if n_frames else 0.0
        self.silent = not top > _SILENT
        least = max(top * gain_of_db(-_FLOOR_BELOW_PEAK_DB), 1e-9)
        # Smoothed over 250 Hz (common practice, no source).
        width = max(3, round(250.0 / register.bin_hz) | 1)
        self._rows = np.empty((n_segments, bins), dtype=np.float32)
        near = counts[:_SEGMENTS_EACH_SIDE].sum(axis=0, dtype=np.int32)
        for s in range(n_segments):
            if s + _SEGMENTS_EACH_SIDE < n_segments:
                near += counts[s + _SEGMENTS_EACH_SIDE]
            if s > _SEGMENTS_EACH_SIDE:
                near -= counts[s - _SEGMENTS_EACH_SIDE - 1]
            self._rows[s] = np.maximum(_smooth(_quantile(near, _FLOOR_SHARE), width), least)

    def at(self, frame: float) -> F32:
        """The floor (513,) at a frame."""
        place = min(max(frame / self._frames_per_segment - 0.5, 0.0), len(self._rows) - 1.0)
        low = int(place)
        high = min(low + 1, len(self._rows) - 1)
        share = np.float32(place - low)
        return np.asarray(self._rows[low] * (1 - share) + self._rows[high] * share, dtype=np.float32)


@compiled()
def _count_levels(block, counts):  # type: ignore[no-untyped-def]
    """Histogram per bin of magnitudes, as bits, by levels of about 0.75 dB: exponent and three bits of mantissa."""
    for t in range(block.shape[0]):
        for k in range(block.shape[1]):
            counts[k, min(max((block[t, k] >> 20) - _FLOOR_FIRST, 0), _FLOOR_LEVELS - 1)] += 1


def _quantile(counts: npt.NDArray[np.int32], share: float) -> F32:
    out = np.empty(counts.shape[0], dtype=np.float32)
    _find_quantile(counts, share * counts.sum(axis=1), out.view(np.int32))
    return out


@compiled()
def _find_quantile(counts, place, bits):  # type: ignore[no-untyped-def]
    for k in range(counts.shape[0]):
        wanted = place[k]
        below = 0.0
        level = 0.0
        for v in range(counts.shape[1]):
            here = counts[k, v]
            if here > 0 and below + here >= wanted:
                level = v + (wanted - below) / here
                break
            below += here
        bits[k] = int((level + _FLOOR_FIRST) * 1048576.0)


def _smooth(row: F32, width: int) -> npt.NDArray[np.float64]:
    """Low percentile, then mean, over ``width`` bins: a steady partial does not count as noise."""
    half = width // 2
    view = np.lib.stride_tricks.sliding_window_view(np.pad(row, half, mode="reflect"), width)
    low = quantiles(view, 0.4)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(np.pad(low, half, mode="edge"), width).mean(axis=1))


@dataclass(frozen=True)
class PitchGrid:
    """A grid of 20-cent bins from ``lowest_midi`` (at 440 Hz), ``n`` long, of which a register can fill some."""

    lowest_midi: float
    n: int

    def hz(self) -> npt.NDArray[np.float64]:
        """Frequencies (n,) of the bins."""
        midi = self.lowest_midi + np.arange(self.n) / BINS_PER_SEMITONE
        return np.asarray(hz_of_midi(midi, reference_pitch_hz=A4_HZ))

    def taps(self, register: Register) -> tuple[npt.NDArray[np.int64], F32, int, int]:
        """Lower transform bin and fraction of each grid bin; the first and last + 1 bin filled."""
        place = self.hz() / register.bin_hz
        usable = np.flatnonzero((place >= 2.0) & (place < FFT_SIZE // 2 - 2))
        lower = np.clip(np.floor(place).astype(np.int64), 0, FFT_SIZE // 2 - 1)
        return lower, np.asarray(place - lower, dtype=np.float32), int(usable[0]), int(usable[-1]) + 1


def whitened(
    magnitude: F32,
    floor_start: F32,
    floor_end: F32,
    lower: npt.NDArray[np.int64],
    fraction: F32,
    first: int,
    last: int,
    out: F32,
) -> None:
    """Log magnitude over the floor on the pitch grid less its moving mean, into ``out`` (frames, n)."""
    gain = np.float32(1.0) / floor_start
    change = np.float32(1.0) / floor_end - gain
    n = last - first
    ratio, sums = np.empty(magnitude.shape[1], dtype=np.float32), np.zeros(n + 1, dtype=np.float32)
    logs, exponent = np.empty((2, n), dtype=np.float32)
    scratch = ratio, logs, logs.view(np.int32), exponent, sums
    _whitened(magnitude, gain, change, lower, fraction, first, last, *scratch, out)


@compiled(error_model="numpy")
def _whitened(  # type: ignore[no-untyped-def]
    magnitude, gain, change, lower, fraction, first, last, ratio, logs, bits, exponent, sums, out
):
    n_frames = magnitude.shape[0]
    n = last - first
    below = lower[first:last]
    share_above = fraction[first:last]
    for t in range(n_frames):
        share = np.float32((t + 0.5) / n_frames)
        row = magnitude[t]
        for k in range(ratio.shape[0]):
            ratio[k] = row[k] * (gain[k] + share * change[k])
        for i in range(n):
            b = np.uint64(below[i])
            logs[i] = ratio[b] + share_above[i] * (ratio[b + np.uint64(1)] - ratio[b])
        log1p(logs, bits, exponent)
        for i in range(first):
            out[t, i] = 0.0
        for i in range(last, out.shape[1]):
            out[t, i] = 0.0
        less_moving_mean(logs, WHITEN_BINS, sums, out[t, first:last])
