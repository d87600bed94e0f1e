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
        bands = _shifted(sound, begin, curve, numbers, shape)
        off, error = _off(bands, numbers, MEAN_FRAMES[instrument])
        curve = np.maximum(curve + off, 20.0)
    cents = CENTS_PER_NEPER * error / curve
    return Course(first * HOP_S, curve, np.hypot(cents, LEAST_ERROR_CENTS), own, np.abs(bands))


def levels_along(sound: F32, *, first: int, hz: Floats, own: tuple[int, ...], instrument: str) -> Floats:
    """Linear levels (own partials, n) along a curve that is held, not bettered."""
    if not own:
        return np.zeros((0, hz.size))
    return np.asarray(np.abs(_shifted(sound, first * HOP, hz, np.array(own, dtype=np.int64), kernel(instrument))))


def _off(bands: Complex, numbers: npt.NDArray[np.int64], frames: int) -> tuple[Floats, Floats]:
    """How far (n,) in Hz the curve is too low, as means over so many ``frames``, and the standard error of that.

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
    box = np.full(frames, 1.0 / frames)

    def steadied(values: Floats) -> Floats:
        return np.convolve(np.pad(values, frames // 2, mode="edge"), box, mode="valid")

    return steadied(mean), np.sqrt(steadied(spread / worth))


def _shifted(sound: F32, begin: int, hz: Floats, numbers: npt.NDArray[np.int64], shape: Floats) -> Complex:
    """Partials (numbers, n) shifted to zero and low-passed: box over ``DECIMATED`` samples, then ``shape``."""
    n, half = hz.size, shape.size // 2
    hops = n + -(-2 * half // PER_HOP)
    at = np.arange(hops * PER_HOP)
    # Before and after the curve its ends are held.
    turn = np.interp((at - half) / PER_HOP, np.arange(n), hz) * (2.0 * np.pi / RATE_HZ)
    phase = DECIMATED * (np.cumsum(turn) - turn)
    # In order of the place in a hop first, so that loops run through what lies side by side.
    start, step = (np.exp(-1j * angle.reshape(hops, PER_HOP).T.ravel()) for angle in (phase, turn))
    first, last = (begin + (edge - half) * DECIMATED for edge in (0, at.size))
    samples = np.zeros(last - first, dtype=np.float32)
    samples[max(-first, 0) : max(sound.size - first, 0)] = sound[max(first, 0) : max(last, 0)]
    heard = samples.reshape(hops, PER_HOP, DECIMATED).transpose(2, 1, 0).reshape(DECIMATED, -1)
    parts = np.stack([start.real, start.imag, step.real, step.imag])
    powers = np.ones_like(parts) * np.array([1.0, 0.0, 1.0, 0.0])[:, None]
    mixed, out = np.empty((2, at.size)), np.zeros((numbers.size, 2, n))
    _shift(heard, parts, numbers, shape, powers, mixed, out)
    return np.asarray(out[:, 0] + 1j * out[:, 1])


@numba.njit(cache=True)
def _shift(heard, parts, numbers, shape, powers, mixed, out):  # type: ignore[no-untyped-def]
    """Loops of ``_shifted``: of partial ``h`` all turns are the ``h``-th power of those of the first."""
    length, n = heard.shape[1], out.shape[2]
    hops = length // PER_HOP
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
