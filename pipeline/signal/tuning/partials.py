"""Steady partials of the accompaniment, as tracks of spectral peaks with the solo line's own partials left out.

Peaks are log-parabolic maxima of a Hann-windowed spectrum (186 ms) that stand clear of the noise floor; linked
from frame to frame they form tracks. A track that wavers (vibrato of a voice or a second string) is dropped.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import soxr
from scipy import fft
from scipy.ndimage import median_filter

from pipeline.compiled import cents_of_ratio, compiled, compiled_within, magnitudes_of, ratio_of_cents, windowed
from pipeline.signal.tuning.steady_tones import ACCOMPANIMENT, Tracks
from pipeline.units import A4_HZ, Floats, db_of_gain, gain_of_db

RATE_HZ = 5512.5  # an eighth of 44.1 kHz: up to where anchors lie
_WINDOW, _SIZE = 1024, 2048  # 186 ms: parts a piano's tones; twice as many bins
HOP = 256
"""Samples from frame to frame: 46 ms."""
_LOWEST_HZ, _HIGHEST_HZ = 130.0, 2300.0  # where accompaniments lie on discs of the time (common practice, no source)
_CLEAR_OF_FLOOR = 5.0  # 14 dB (common practice, no source)
_BELOW_LOUDEST = gain_of_db(-45.0)  # common practice, no source
_FLOOR_BLOCK_S = 20.0  # how slowly the floor changes (common practice, no source)
# A floor is never nothing: some 120 dB under the loudest of its block, where 20 bits end (common practice, no source).
_LEAST_OF_LOUDEST, _LEAST_FLOOR = 1e-6, 1e-12
_LINK_CENTS = 18.0
_LINE_PARTIALS = 3  # a gut string's loudest partial is one of these (common practice, no source)
_OWN_PARTIAL_CENTS = 60.0
_OVERTONE_CENTS = 30.0
# A fundamental may itself be too weak for a peak, or lie below the band of the recording; then partials beside one
# of odd number give it away. Tempered chords come no nearer than 13 cents to partials 5 and 7 (just intervals).
_HIGHEST_PARTIAL, _HIGHEST_OF_WEAK = 8, 3
_WEAK_OF_FLOOR = 2.0
_ODD_ONES = (3, 5, 7, 8)
_NEIGHBOUR_CENTS = 9.0
# above this (F5) most peaks are partials of something, and few instruments accompany
_HIGHEST_ANCHOR_HZ = 700.0
_HIGHEST_ANCHOR_CENTS = float(cents_of_ratio(_HIGHEST_ANCHOR_HZ / A4_HZ))
_LEAST_FRAMES = 4
_JOINED = 4
_WAVER_CENTS = 6.0
# stiff strings put even low partials a little sharp of the pitch they are tuned to (865 B h^2 cents, B about 4e-4)
_STIFFNESS_CENTS = 0.7
# a Hann window weighs a slow change like a plain mean over this share of it (equal variance)
_PLAIN_SHARE = 0.626
_AT_ONCE = 64  # frames transformed at once: what fits the processor's cache


@dataclass(frozen=True)
class Peaks:
    """Spectral peaks beside the line, (n,), sorted by frame and pitch.

    Attributes
    ----------
    time_s, line_level_db : (frames,), ``HOP`` apart; how loud the line's loudest low partial is, NaN where there is no
        line.
    frame, cents, clear, level_db : (n,) of each peak: its frame, cents above A4 = 440 Hz, how far it stands clear of
        the floor (natural log) and its level.
    track, overtone : (n,) which tone it belongs to, and whether a lower tone explains it.
    """

    time_s: Floats
    line_level_db: Floats
    frame: npt.NDArray[np.int64]
    cents: Floats
    clear: Floats
    level_db: Floats
    track: npt.NDArray[np.int64]
    overtone: npt.NDArray[np.bool_]


def slow_samples(samples: npt.NDArray[np.float32], *, sample_rate_hz: float) -> npt.NDArray[np.float32]:
    """The samples at ``RATE_HZ``: enough for partials to 2.3 kHz and for mains hum."""
    if samples.size < 8:
        return np.zeros(0, dtype=np.float32)
    return np.asarray(soxr.resample(samples, sample_rate_hz, RATE_HZ, quality="HQ"), dtype=np.float32)


def peaks_beside(slow: npt.NDArray[np.float32], *, line_time_s: Floats, line_f0_hz: Floats) -> Peaks | None:
    """Spectral peaks that are no partials of the line; None where the sound is too short for any.

    Parameters
    ----------
    slow : shape (n,), samples at ``RATE_HZ``.
    line_time_s, line_f0_hz : shape (frames,), the solo line in raw transfer time and pitch (NaN: none).
    """
    frames = 1 + (slow.size - _WINDOW) // HOP
    if frames < _LEAST_FRAMES:
        return None
    time_s: Floats = (np.arange(frames, dtype=np.float64) * HOP + 0.5 * _WINDOW) / RATE_HZ
    bin_hz = RATE_HZ / _SIZE
    low, high = int(_LOWEST_HZ / bin_hz), int(_HIGHEST_HZ / bin_hz)
    magnitude = _magnitudes(slow, frames, low - 1, high + 2)
    floor = _floor(magnitude)
    solo = np.interp(time_s, line_time_s, np.nan_to_num(line_f0_hz, nan=0.0)) if line_time_s.size else np.zeros(frames)
    solo = np.where(solo < 60.0, np.nan, solo)
    frame, cents, clear, level = _peaks(magnitude, floor, low - 1, bin_hz, solo)
    overtone = _overtones(frame, cents, magnitude, floor, low - 1, bin_hz)
    line_level = _line_level(magnitude, low - 1, bin_hz, solo)
    return Peaks(time_s, db_of_gain(line_level), frame, cents, clear, db_of_gain(level), _link(frame, cents), overtone)


def accompaniment_tracks(peaks: Peaks | None) -> Tracks:
    """Tracks of steady partials."""
    if peaks is None:
        return _no_tracks()
    return _tracks(peaks.time_s[peaks.frame], peaks.cents, peaks.clear, peaks.track, peaks.overtone)


def _no_tracks() -> Tracks:
    none, no_ints = np.empty(0), np.empty(0, dtype=np.int64)
    return Tracks(none, none, none, none, no_ints, no_ints, np.empty(0, dtype=np.bool_))


def _magnitudes(slow: npt.NDArray[np.float32], frames: int, first: int, last: int) -> npt.NDArray[np.float32]:
    """Magnitudes (frames, last - first) of some bins."""
    window = np.hanning(_WINDOW + 1)[:-1].astype(np.float32)
    views = np.lib.stride_tricks.sliding_window_view(slow, _WINDOW)[::HOP]
    out = np.empty((frames, last - first), dtype=np.float32)
    filled = np.zeros((_AT_ONCE, _SIZE), dtype=np.float32)
    for start in range(0, frames, _AT_ONCE):
        some = views[start : start + _AT_ONCE]
        windowed(some, window, filled)
        spectra = fft.rfft(filled[: len(some)], axis=1)
        magnitudes_of(spectra[:, first:last], out[start : start + _AT_ONCE])
    return out


def _floor(magnitude: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    block = max(1, round(_FLOOR_BLOCK_S * RATE_HZ / HOP))
    out = np.empty_like(magnitude)
    for start in range(0, magnitude.shape[0], block):
        part = magnitude[start : start + block]
        least = max(_LEAST_OF_LOUDEST * float(part.max()), _LEAST_FLOOR)
        # digital silence (lead-in, run-out, a pause faded to nothing) tells nothing of the noise under the music
        heard = part[::2][part[::2].any(axis=1)]
        if not heard.size:
            out[start : start + block] = least
            continue
        rank = int(0.3 * (heard.shape[0] - 1))
        level = np.partition(heard.T, rank, axis=1)[:, rank]
        out[start : start + block] = np.maximum(median_filter(level, 101, mode="nearest"), least)
    return out


@compiled()
def _peaks(
    magnitude: npt.NDArray[np.float32],
    floor: npt.NDArray[np.float32],
    first_bin: int,
    bin_hz: float,
    solo_hz: Floats,
) -> tuple[npt.NDArray[np.int64], Floats, Floats, Floats]:
    frames, bins = magnitude.shape
    most = frames * 40
    frame = np.empty(most, np.int64)
    cents = np.empty(most, np.float64)
    clear = np.empty(most, np.float64)
    level = np.empty(most, np.float64)
    n = 0
    for t in range(frames):
        loudest = 0.0
        for k in range(bins):
            loudest = max(loudest, magnitude[t, k])
        here = 0
        for k in range(1, bins - 1):
            m = magnitude[t, k]
            # First what is foreseen: most bins are faint, and no processor foresees where a maximum comes.
            if m < _BELOW_LOUDEST * loudest or m < _CLEAR_OF_FLOOR * floor[t, k]:
                continue
            if m < magnitude[t, k - 1] or m <= magnitude[t, k + 1] or here >= 40:
                continue
            a, b, c = np.log(magnitude[t, k - 1] + 1e-30), np.log(m), np.log(magnitude[t, k + 1] + 1e-30)
            bend = a - 2.0 * b + c
            shift = 0.5 * (a - c) / bend if bend < 0.0 else 0.0
            hz = (first_bin + k + shift) * bin_hz
            own = False
            if not np.isnan(solo_hz[t]):
                ratio = hz / solo_hz[t]
                nearest = np.floor(ratio + 0.5)
                own = nearest >= 1.0 and abs(cents_of_ratio(ratio / nearest)) < _OWN_PARTIAL_CENTS
            if own:
                continue
            frame[n] = t
            cents[n] = cents_of_ratio(hz / A4_HZ)
            clear[n] = np.log(m / floor[t, k])
            level[n] = m
            n += 1
            here += 1
    return frame[:n], cents[:n], clear[:n], level[:n]


@compiled()
def _line_level(magnitude: npt.NDArray[np.float32], first_bin: int, bin_hz: float, solo_hz: Floats) -> Floats:
    # magnitude of the loudest of the line's first partials, within a bin of where it should be
    level = np.full(solo_hz.size, np.nan)
    for t in range(solo_hz.size):
        if np.isnan(solo_hz[t]):
            continue
        loudest = 1e-12
        for partial in range(1, _LINE_PARTIALS + 1):
            k = int(np.floor(partial * solo_hz[t] / bin_hz + 0.5)) - first_bin
            for q in range(max(k - 1, 0), min(k + 2, magnitude.shape[1])):
                loudest = max(loudest, magnitude[t, q])
        level[t] = loudest
    return level


@compiled()
def _link(frame: npt.NDArray[np.int64], cents: Floats) -> npt.NDArray[np.int64]:
    # peaks come sorted by frame and pitch; each joins the nearest track that was alive one frame before
    n = frame.size
    track = np.full(n, -1, np.int64)
    count = 0
    start_before, end_before = 0, 0
    i = 0
    while i < n:
        j = i
        while j < n and frame[j] == frame[i]:
            j += 1
        follows = end_before > start_before and frame[start_before] == frame[i] - 1
        p = start_before
        for q in range(i, j):
            if follows:
                while p < end_before and cents[p] < cents[q] - _LINK_CENTS:
                    p += 1
                best, at = _LINK_CENTS, -1
                r = p
                while r < end_before and cents[r] <= cents[q] + _LINK_CENTS:
                    if abs(cents[r] - cents[q]) < best:
                        best, at = abs(cents[r] - cents[q]), r
                    r += 1
                if at >= 0 and (q == i or track[q - 1] != track[at]):
                    track[q] = track[at]
            if track[q] < 0:
                track[q] = count
                count += 1
        start_before, end_before = i, j
        i = j
    return track


@compiled()
def _overtones(
    frame: npt.NDArray[np.int64],
    cents: Floats,
    magnitude: npt.NDArray[np.float32],
    floor: npt.NDArray[np.float32],
    first_bin: int,
    bin_hz: float,
) -> npt.NDArray[np.bool_]:
    # peaks that a lower tone explains as its partial
    n = frame.size
    overtone = np.zeros(n, np.bool_)
    above = np.zeros(_HIGHEST_PARTIAL + 3)  # cents of each partial above the lowest
    for k in range(1, above.size):
        above[k] = cents_of_ratio(k)
    start = 0
    while start < n:
        end = start
        while end < n and frame[end] == frame[start]:
            end += 1
        t = frame[start]
        for i in range(start, end):
            hz = A4_HZ * ratio_of_cents(cents[i])
            for k in range(2, _HIGHEST_PARTIAL + 1):
                below = cents[i] - above[k]
                overtone[i] = _sounds(cents, start, i, below, _OVERTONE_CENTS)
                if not overtone[i] and k <= _HIGHEST_OF_WEAK:
                    overtone[i] = _stands_out(magnitude[t], floor[t], hz / k / bin_hz - first_bin)
                if not overtone[i] and k in _ODD_ONES:
                    neighbours = 0
                    for other in (k - 2, k - 1, k + 1, k + 2):
                        wanted = below + above[other]
                        neighbours += other > 1 and _sounds(cents, start, end, wanted, _NEIGHBOUR_CENTS)
                    overtone[i] = neighbours >= 2
                if overtone[i]:
                    break
        start = end
    return overtone


@compiled_within()
def _sounds(cents: Floats, low: int, high: int, wanted: float, reach: float) -> bool:
    # whether one of the peaks low..high, which rise, lies within reach of a pitch
    a, b = low, high
    while a < b:
        middle = (a + b) // 2
        if cents[middle] < wanted - reach:
            a = middle + 1
        else:
            b = middle
    return bool(a < high and cents[a] <= wanted + reach)


@compiled_within()
def _stands_out(magnitude: npt.NDArray[np.float32], floor: npt.NDArray[np.float32], at: float) -> bool:
    # whether the spectrum has a maximum near a bin that stands out from the floor, if not clearly enough for a peak
    middle = int(np.floor(at + 0.5))
    for q in range(max(middle - 1, 1), min(middle + 2, magnitude.size - 1)):
        m = magnitude[q]
        if m >= magnitude[q - 1] and m > magnitude[q + 1] and m > _WEAK_OF_FLOOR * floor[q]:
            return True
    return False


def _tracks(
    time_s: Floats,
    cents: Floats,
    clear: Floats,
    track: npt.NDArray[np.int64],
    overtone: npt.NDArray[np.bool_],
) -> Tracks:
    order = np.argsort(track, kind="stable")
    time_s, cents, clear, track = time_s[order], cents[order], clear[order], track[order]
    size = np.bincount(track)
    overtones = np.bincount(track, overtone[order], size.size)
    steps = np.abs(np.diff(cents))
    inside = np.diff(track) == 0
    waver = np.bincount(track[1:][inside], steps[inside], size.size) / np.maximum(size - 1, 1)
    keep = ((size >= _LEAST_FRAMES) & (waver < _WAVER_CENTS))[track]
    high = np.bincount(track, cents, size.size) / np.maximum(size, 1) > _HIGHEST_ANCHOR_CENTS
    kept, number = np.unique(track[keep], return_inverse=True)
    if kept.size == 0:
        return _no_tracks()
    # neighbouring frames share most of their samples: points are means over as many frames as make a window
    begin = np.flatnonzero(np.diff(number, prepend=-1))
    place = np.arange(number.size) - begin[number]
    _, group = np.unique(number * (place.max() + 1) + place // _JOINED, return_inverse=True)
    weight = np.minimum(clear[keep], 4.0)
    total = np.bincount(group, weight)
    frames = np.bincount(group)
    hop_s = HOP / RATE_HZ
    return Tracks(
        time_s=np.bincount(group, weight * time_s[keep]) / total,
        cents=np.bincount(group, weight * cents[keep]) / total - _STIFFNESS_CENTS,
        weight=total / (4.0 * _JOINED),
        window_s=np.hypot(_PLAIN_SHARE * _WINDOW / RATE_HZ, frames * hop_s),
        track=number[np.flatnonzero(np.diff(group, prepend=-1))],
        source=np.full(kept.size, ACCOMPANIMENT, dtype=np.int64),
        anchor=((overtones < 0.5 * size) & ~high)[kept],
    )
