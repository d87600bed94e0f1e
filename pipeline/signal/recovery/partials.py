"""The partials of a tone taken out of a sound and written anew, each with its own loudness from moment to moment."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled
from pipeline.units import Floats

Complex = npt.NDArray[np.complex128]
Samples = npt.NDArray[np.float32]
HIGHEST_HZ = 8000.0  # above it discs of the time hold noise (common practice, no source)
MOST_PARTIALS = 16  # those above are too weak to be missed (common practice, no source)
SMOOTH_S = 0.02
"""Two running means of this length let each partial's loudness and unrest through to about 25 Hz."""


@dataclass(frozen=True)
class Tone:
    """A tone with the phase (n,) of its fundamental in radians, and each partial's complex amplitude (partials, n)."""

    phase: Floats
    amplitudes: Complex

    def sound(self, *, turned: Floats | None = None) -> Floats:
        """Samples (n,); ``turned`` (partials,) adds a phase to each partial."""
        turn = np.exp(1j * (np.zeros(self.amplitudes.shape[0]) if turned is None else turned))
        out = np.zeros(self.phase.size)
        _sum(self.amplitudes, self.phase, turn, out)
        return out


def phase_of(hz: Floats, *, sample_rate_hz: float) -> Floats:
    """Phase (n,) in radians of a tone of frequency (n,) Hz."""
    return np.asarray(2.0 * np.pi * np.cumsum(hz) / sample_rate_hz)


def count_of(hz: float, *, sample_rate_hz: float) -> int:
    """How many partials of a tone are looked at."""
    return int(np.clip(min(HIGHEST_HZ, 0.45 * sample_rate_hz) / hz, 1, MOST_PARTIALS))


def taken(samples: Floats, hz: Floats, *, sounding: tuple[int, int], partials: int, sample_rate_hz: float) -> Tone:
    """The tone at frequency (n,) Hz in samples (n,): each partial brought to 0 Hz and smoothed.

    It sounds in the samples ``sounding`` (first, end); the others say nothing of it, and it is silent there.
    """
    phase = phase_of(hz, sample_rate_hz=sample_rate_hz)
    half = max(1, round(0.5 * SMOOTH_S * sample_rate_hz))
    first, end = max(sounding[0], 0), min(sounding[1], samples.size)
    amplitudes = np.zeros((partials, samples.size), dtype=np.complex128)
    n = end - first
    within = np.empty((partials, n), dtype=np.complex128)
    turn, by, sums = (np.empty(size, dtype=np.complex128) for size in (n, n, n + 1))
    _smooth(samples[first:end], phase[first:end], half, turn, by, sums, within)
    amplitudes[:, first:end] = within
    return Tone(phase, amplitudes)


@compiled()
def _smooth(  # type: ignore[no-untyped-def]
    samples, phase, half, turn, by, sums, out
):
    """Fills ``out`` (partials, n): each moved to 0 Hz, after two means of ``2 half + 1`` samples, as far as there are.

    ``turn`` (n,), ``by`` (n,) and ``sums`` (n + 1,) are scratch.
    """
    n = phase.size
    for i in range(n):
        turn[i] = np.exp(-1j * phase[i])
        by[i] = 1.0
    for h in range(out.shape[0]):
        for i in range(n):
            by[i] *= turn[i]
            out[h, i] = 2.0 * samples[i] * by[i]
        for _ in range(2):
            sums[0] = 0.0
            for i in range(n):
                sums[i + 1] = sums[i] + out[h, i]
            for i in range(n):
                first = max(i - half, 0)
                last = min(i + half + 1, n)
                out[h, i] = (sums[last] - sums[first]) / (last - first)


@compiled()
def _sum(amplitudes, phase, turn, out):  # type: ignore[no-untyped-def]
    """Adds the partials, each turned, to ``out`` (n,)."""
    for i in range(phase.size):
        once = np.exp(1j * phase[i])
        by = 1.0 + 0.0j
        for h in range(amplitudes.shape[0]):
            by *= once
            out[i] += (amplitudes[h, i] * turn[h] * by).real
