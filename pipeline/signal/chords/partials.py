"""Follows the notes of a chord by their own partials: pitch curve with its error, and the level of each partial.

Own are those partials that no other note's partial comes within 32 Hz of. Each is shifted to zero by the note's curve
so far and low-passed; the slope of its phase says how far the curve is off. Passes go from low partials to high ones,
each along the curve of the one before: a note 20 cents off leaves the pass band of its sixth partial.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

from pipeline.signal.chords.grid import F32, RATE_HZ
from pipeline.units import CENTS_PER_NEPER, Floats

HOP = 64  # samples
HOP_S = HOP / RATE_HZ
"""Time between values of a curve: 5.8 ms."""
DECIMATED = 8  # a partial moves by far less than the eighth of the rate lets through
PARTIALS = 12  # lowest ones followed (common practice, no source)
HIGHEST_HZ = 5000.0  # above it discs of the time hold noise (common practice, no source)
APART_HZ = 32.0  # what the low-pass parts: nearer partials of two notes beat
PASSES = (2, 4, PARTIALS, PARTIALS)
"""Lowest own partials used in each pass."""
PASS_HZ = {"violin": 36.0, "viola": 36.0, "cello": 26.0}
"""First zero of the low-pass: those of a Hann window twice its inverse long."""
MEAN_FRAMES = 3
"""A curve is a mean over 20 ms."""
LEAST_ERROR_CENTS = 1.5  # what no curve is known better than (common practice, no source)
WILD_HZ = 25.0
"""More than a partial may be off without leaving the pass band."""

Complex = npt.NDArray[np.complex128]


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
    hz : (n,) the guess, every ``HOP`` samples.
    own : numbers of its own partials; with none the guess stands and its error is NaN.
    """
    shape = kernel(instrument)
    begin = first * HOP
    if not own:
        return Course(first * HOP_S, hz, np.full(hz.size, np.nan), own, np.zeros((0, hz.size)))
    curve = hz.copy()
    error = np.full(hz.size, np.nan)
    bands: Complex = np.zeros((len(own), hz.size), dtype=np.complex128)
    for used in PASSES:
        numbers = np.array(own[:used], dtype=np.int64)
        bands = np.zeros((numbers.size, hz.size), dtype=np.complex128)
        _shifted(sound, begin, curve, numbers, shape, bands)
        off, error = _off(bands, numbers)
        curve = np.maximum(curve + off, 20.0)
    cents = CENTS_PER_NEPER * error / curve
    return Course(first * HOP_S, curve, np.hypot(cents, LEAST_ERROR_CENTS), own, np.abs(bands))


def levels_along(sound: F32, *, first: int, hz: Floats, own: tuple[int, ...], instrument: str) -> Floats:
    """Linear levels (own partials, n) along a curve that is held, not bettered."""
    bands = np.zeros((len(own), hz.size), dtype=np.complex128)
    _shifted(sound, first * HOP, hz, np.array(own, dtype=np.int64), kernel(instrument), bands)
    return np.asarray(np.abs(bands))


def _off(bands: Complex, numbers: npt.NDArray[np.int64]) -> tuple[Floats, Floats]:
    """How far (n,) in Hz the curve is too low, and the standard error of that.

    Phase slopes over two hops, weighted by power times the square of the partial's number: the error of a partial's
    frequency in noise is the same in Hz, so that of the note's is one over its number (weights of least squares).
    """
    turned = np.zeros(bands.shape)
    turned[:, 1:-1] = np.angle(bands[:, 2:] * np.conj(bands[:, :-2])) / (4.0 * np.pi * HOP_S)
    turned[:, 0], turned[:, -1] = turned[:, 1], turned[:, -2]
    weight = np.abs(bands) ** 2 * numbers[:, None] ** 2 + 1e-20
    weight[np.abs(turned) > WILD_HZ] *= 1e-3
    each = turned / numbers[:, None]
    total = weight.sum(axis=0)
    mean = (weight * each).sum(axis=0) / total
    spread = (weight * (each - mean) ** 2).sum(axis=0) / total
    worth = np.maximum(total**2 / (weight**2).sum(axis=0), 1.0)
    box = np.full(MEAN_FRAMES, 1.0 / MEAN_FRAMES)

    def steadied(values: Floats) -> Floats:
        return np.convolve(np.pad(values, MEAN_FRAMES // 2, mode="edge"), box, mode="valid")

    return steadied(mean), np.sqrt(steadied(spread / worth))


@numba.njit(cache=True)
def _shifted(sound, begin, hz, numbers, shape, out):  # type: ignore[no-untyped-def]
    """Partials shifted to zero and low-passed: box over ``DECIMATED`` samples, then ``shape`` at the decimated rate."""
    n = hz.shape[0]
    half = shape.shape[0] // 2
    per_hop = HOP // DECIMATED
    length = n * per_hop + 2 * half
    turn = np.empty(length)
    mixed = np.empty(length, dtype=np.complex128)
    # The phase at the start of each decimated sample; before and after the curve its ends are held.
    phase = 0.0
    for i in range(length):
        place = (i - half) / per_hop
        k = min(max(int(np.floor(place)), 0), n - 1)
        share = min(max(place - k, 0.0), 1.0)
        here = hz[k] + share * (hz[min(k + 1, n - 1)] - hz[k])
        turn[i] = here * 2.0 * np.pi / RATE_HZ
    for p in range(numbers.shape[0]):
        h = numbers[p]
        phase = 0.0
        for i in range(length):
            at = begin + (i - half) * DECIMATED
            step = h * turn[i]
            re, im = np.cos(phase), -np.sin(phase)
            c, s = np.cos(step), -np.sin(step)
            total_re = 0.0
            total_im = 0.0
            for j in range(DECIMATED):
                if 0 <= at + j < sound.shape[0]:
                    total_re += sound[at + j] * re
                    total_im += sound[at + j] * im
                re, im = re * c - im * s, re * s + im * c
            mixed[i] = complex(total_re, total_im) / DECIMATED
            phase = (phase + step * DECIMATED) % (2.0 * np.pi)
        for k in range(n):
            total = 0.0 + 0.0j
            for j in range(shape.shape[0]):
                total += shape[j] * mixed[k * per_hop + j]
            out[p, k] = 2.0 * total
