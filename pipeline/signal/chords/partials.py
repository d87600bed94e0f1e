"""Follows the notes of a chord by their own partials: pitch curve with its error, and the level of each partial.

Own are those partials that no other note's partial comes within 32 Hz of. Each is shifted to zero by the note's curve
so far and low-passed; the slope of its phase says how far the curve is off. Passes go from low partials to high ones,
each along the curve of the one before: a note 20 cents off leaves the pass band of its sixth partial.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled
from pipeline.signal.chords.grid import F32, RATE_HZ
from pipeline.units import CENTS_PER_NEPER, Floats

HOP = 64  # samples
HOP_S = HOP / RATE_HZ
"""Time between values of a curve: 5.8 ms."""
PER_HOP = 8  # decimated samples
DECIMATED = HOP // PER_HOP  # a partial moves by far less than the eighth of the rate lets through
PARTIALS = 12  # lowest ones followed (common practice, no source)
HIGHEST_HZ = 5000.0  # above it discs of the time hold noise (common practice, no source)
APART_HZ = 32.0  # what the low-pass parts: nearer partials of two notes beat
PASSES = (2, 4, PARTIALS, PARTIALS)
"""Lowest own partials used in each pass."""
PASS_HZ = {"violin": 36.0, "viola": 36.0, "cello": 26.0}
"""First zero of the low-pass: those of a Hann window twice its inverse long."""
MEAN_FRAMES = {"violin": 3, "viola": 3, "cello": 5}
"""Values of which a curve is the mean: 17 ms, and 29 ms on the cello, whose low partials lie deeper in noise: in mixes
of real notes at 10 dB the median error is 2.9 cents, with 3 values 3.1."""
LEAST_ERROR_CENTS = 1.5  # what no curve is known better than (common practice, no source)
LEAST_HZ = 20.0  # below what is heard (common practice, no source)
WILD_HZ = 25.0
"""More than a partial may be off without leaving the pass band."""


@dataclass(frozen=True)
class Course:
    """One note followed.

    Attributes
    ----------
    first_s : time of the first value; the others follow every ``HOP_S``.
    hz : (n,) pitch.
    error_cents : (n,) standard error of each value of ``hz``, from how the partials differ.
    own : numbers of the own partials.
    levels : (own partials, n) linear levels.
    """

    first_s: float
    hz: Floats
    error_cents: Floats
    own: tuple[int, ...]
    levels: Floats

    @property
    def time_s(self) -> Floats:
        """Times (n,)."""
        return np.asarray(self.first_s + np.arange(self.hz.size) * HOP_S, dtype=np.float64)


def kernel(instrument: str) -> Floats:
    """The low-pass (m,), at the decimated rate, of unit sum."""
    half = round(RATE_HZ / PASS_HZ[instrument] / DECIMATED)
    shape = np.hanning(2 * half + 3)[1:-1]
    return np.asarray(shape / shape.sum())


def own_partials(hz: float, others: Sequence[float]) -> tuple[int, ...]:
    """Partials of a note at ``hz`` that none of the ``others`` has one near."""
    found = []
    for h in range(1, PARTIALS + 1):
        at = h * hz
        if at < HIGHEST_HZ and all(abs(at - max(round(at / other), 1) * other) >= APART_HZ for other in others):
            found.append(h)
    return tuple(found)


def course_of(sound: F32, *, first: int, hz: Floats, own: tuple[int, ...], instrument: str) -> Course:
    """Follow one note from a first guess of its pitch.

    Parameters
    ----------
    sound : samples at ``RATE_HZ``.
    first : which hop of ``HOP`` samples the guess begins at.
    hz : (n >= 3,) the guess, every ``HOP`` samples.
    own : numbers of its own partials; with none the guess stands and its error is NaN.
    """
    shape = kernel(instrument)
    if not own:
        return Course(first * HOP_S, hz, np.full(hz.size, np.nan), own, np.zeros((0, hz.size)))
    curve, error = hz.copy(), np.empty(hz.size)
    bands: Floats = np.zeros((len(own), 2, hz.size))
    for used in PASSES:
        numbers = np.array(own[:used], dtype=np.int64)
        bands = _shifted(sound, first * HOP, curve, numbers, shape)
        scratch = np.empty((2, numbers.size, hz.size)), np.empty((4, hz.size))
        _better(bands, numbers, MEAN_FRAMES[instrument] // 2, scratch, curve, error)
    cents = CENTS_PER_NEPER * error / curve
    return Course(first * HOP_S, curve, np.hypot(cents, LEAST_ERROR_CENTS), own, _levels(bands))


def levels_along(sound: F32, *, first: int, hz: Floats, own: tuple[int, ...], instrument: str) -> Floats:
    """Linear levels (own partials, n) along a curve that is held, not bettered."""
    if not own:
        return np.zeros((0, hz.size))
    return _levels(_shifted(sound, first * HOP, hz, np.array(own, dtype=np.int64), kernel(instrument)))


def _levels(bands: Floats) -> Floats:
    return np.asarray(np.sqrt(bands[:, 0] ** 2 + bands[:, 1] ** 2))


@compiled(error_model="numpy")
def _better(bands, numbers, half, scratch, curve, error):  # type: ignore[no-untyped-def]
    """Adds to a curve (n,) how far in Hz it is too low, a mean over ``half`` values to each side, with its error (n,).

    Phase slopes over two hops, weighted by power times the square of the partial's number: the error of a partial's
    frequency in noise is the same in Hz, so that of the note's is one over its number (weights of least squares).
    ``bands`` (numbers, 2, n): partials shifted to zero; ``scratch``: arrays (2, numbers, n) and (4, n).
    """
    each, weights = scratch[0][0], scratch[0][1]
    sums, n = scratch[1], curve.shape[0]
    total, squares, mean, spread = sums[0], sums[1], sums[2], sums[3]
    for t in range(n):
        total[t] = squares[t] = mean[t] = spread[t] = 0.0
    for k in range(numbers.shape[0]):
        re, im, number = bands[k, 0], bands[k, 1], numbers[k]
        for t in range(n):
            at = min(max(t, 1), n - 2)
            turned_re = re[at + 1] * re[at - 1] + im[at + 1] * im[at - 1]
            turned_im = im[at + 1] * re[at - 1] - re[at + 1] * im[at - 1]
            slope_hz = math.atan2(turned_im, turned_re) / (4.0 * math.pi * HOP_S)
            weight = (re[t] * re[t] + im[t] * im[t]) * number**2 + 1e-20
            if abs(slope_hz) > WILD_HZ:
                weight *= 1e-3
            total[t] += weight
            squares[t] += weight * weight
            mean[t] += weight * slope_hz / number
            each[k, t], weights[k, t] = slope_hz / number, weight
    for t in range(n):
        mean[t] /= total[t]
    for k in range(numbers.shape[0]):
        for t in range(n):
            spread[t] += weights[k, t] * (each[k, t] - mean[t]) ** 2
    for t in range(n):
        spread[t] /= total[t] * max(total[t] ** 2 / squares[t], 1.0)
    for t in range(n):
        off = variance = 0.0
        for i in range(t - half, t + half + 1):
            at = min(max(i, 0), n - 1)
            off += mean[at]
            variance += spread[at]
        curve[t] = max(curve[t] + off / (2 * half + 1), LEAST_HZ)
        error[t] = math.sqrt(variance / (2 * half + 1))


def _shifted(sound: F32, begin: int, hz: Floats, numbers: npt.NDArray[np.int64], shape: Floats) -> Floats:
    """Partials (numbers, 2, n), real and imaginary, shifted to zero and low-passed: a box, then ``shape``."""
    n, half = hz.size, shape.size // 2
    hops = n + -(-2 * half // PER_HOP)
    length = hops * PER_HOP
    first, last = (begin + (edge - half) * DECIMATED for edge in (0, length))
    samples = np.zeros(last - first, dtype=np.float32)
    samples[max(-first, 0) : max(sound.size - first, 0)] = sound[max(first, 0) : max(last, 0)]
    # In order of the place in a hop first, so that loops run through what lies side by side.
    heard = samples.reshape(hops, PER_HOP, DECIMATED).transpose(2, 1, 0).reshape(DECIMATED, -1)
    parts, powers, mixed = np.empty((4, length)), np.empty((4, length)), np.empty((2, length))
    out = np.zeros((numbers.size, 2, n))
    _turns(hz, half, parts)
    _shift(heard, parts, numbers, shape, powers, mixed, out)
    return out


@compiled()
def _turns(hz, half, parts):  # type: ignore[no-untyped-def]
    """Turns that undo the first partial's: up to each group of samples, and from one sample to the next in it.

    Before and after the curve its ends are held.
    """
    n, hops = hz.shape[0], parts.shape[1] // PER_HOP
    start_re, start_im = 1.0, 0.0
    for at in range(parts.shape[1]):
        place = min(max((at - half) / PER_HOP, 0.0), n - 1.0)
        low = min(int(place), n - 2)
        turn = (hz[low] + (place - low) * (hz[low + 1] - hz[low])) * (2.0 * math.pi / RATE_HZ)
        re, im = math.cos(turn), -math.sin(turn)
        i = (at % PER_HOP) * hops + at // PER_HOP
        parts[0, i], parts[1, i], parts[2, i], parts[3, i] = start_re, start_im, re, im
        power = 1
        while power < DECIMATED:  # which is a power of two
            re, im = re * re - im * im, 2.0 * re * im
            power *= 2
        start_re, start_im = start_re * re - start_im * im, start_re * im + start_im * re


@compiled()
def _shift(heard, parts, numbers, shape, powers, mixed, out):  # type: ignore[no-untyped-def]
    """Loops of ``_shifted``: of partial ``h`` all turns are the ``h``-th power of those of the first."""
    length, n = heard.shape[1], out.shape[2]
    hops = length // PER_HOP
    for a in range(4):
        for i in range(length):
            powers[a, i] = 1.0 - a % 2
    k = 0
    for h in range(1, numbers[-1] + 1):
        for i in range(length):
            for a in (0, 2):
                re, im = powers[a, i], powers[a + 1, i]
                powers[a, i] = re * parts[a, i] - im * parts[a + 1, i]
                powers[a + 1, i] = re * parts[a + 1, i] + im * parts[a, i]
        if h != numbers[k]:
            continue
        for i in range(length):
            re, im, c, s = powers[0, i], powers[1, i], powers[2, i], powers[3, i]
            total_re = total_im = 0.0
            for j in range(DECIMATED):
                total_re += heard[j, i] * re
                total_im += heard[j, i] * im
                re, im = re * c - im * s, re * s + im * c
            mixed[0, i], mixed[1, i] = total_re / DECIMATED, total_im / DECIMATED
        out_re, out_im = out[k, 0], out[k, 1]
        for j in range(shape.shape[0]):
            before = (j % PER_HOP) * hops + j // PER_HOP
            re_part, im_part = mixed[0, before : before + n], mixed[1, before : before + n]
            for t in range(n):
                out_re[t] += 2.0 * shape[j] * re_part[t]
                out_im[t] += 2.0 * shape[j] * im_part[t]
        k += 1
