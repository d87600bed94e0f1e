"""What later hands do to a transfer: noise taken out, and lossy coding. Cheap likenesses, for training.

Both leave time and pitch as they were: the truth of the side stays its truth.
"""

import numpy as np
import numpy.typing as npt
from scipy import signal

from pipeline.units import gain_of_db

Samples = npt.NDArray[np.float32]
_WINDOW_S = 0.064  # of a noise reducer (common practice, no source)


def denoised(samples: Samples, *, sample_rate_hz: int, rng: np.random.Generator) -> Samples:
    """A copy through a spectral gate: what is little above the floor of its frequency is turned down by 8-25 dB."""
    floor_gain = gain_of_db(-float(rng.uniform(8.0, 25.0)))
    threshold = float(rng.uniform(1.5, 3.5))

    def gate(spectrum: npt.NDArray[np.complex64]) -> npt.NDArray[np.float32]:
        magnitude = np.abs(spectrum)
        floor = np.quantile(magnitude, 0.2, axis=1, keepdims=True)
        gain = np.where(magnitude > threshold * floor, 1.0, floor_gain)
        return np.asarray(signal.convolve(gain, np.full((3, 3), 1.0 / 9.0), mode="same"), dtype=np.float32)

    return _through(samples, gate, sample_rate_hz=sample_rate_hz)


def lossy(samples: Samples, *, sample_rate_hz: int, rng: np.random.Generator) -> Samples:
    """A copy like one coded at a low rate: no highs, and holes where a band holds louder things."""
    highest_hz = float(rng.uniform(4500.0, 8000.0))
    below = gain_of_db(-float(rng.uniform(18.0, 36.0)))

    def coded(spectrum: npt.NDArray[np.complex64]) -> npt.NDArray[np.float32]:
        magnitude = np.abs(spectrum)
        hz = np.linspace(0.0, sample_rate_hz / 2, len(spectrum))
        # Bands of a third of an octave: about the width in which louder partials mask.
        band = np.searchsorted(100.0 * 2.0 ** (np.arange(22) / 3.0), hz)
        starts = np.flatnonzero(np.diff(band, prepend=-1))
        loudest = np.maximum.reduceat(magnitude, starts, axis=0)[np.cumsum(np.diff(band, prepend=-1) > 0) - 1]
        return np.asarray((magnitude > below * loudest) & (hz[:, None] < highest_hz), dtype=np.float32)

    return _through(samples, coded, sample_rate_hz=sample_rate_hz)


def _through(samples: Samples, gain, *, sample_rate_hz: int) -> Samples:  # type: ignore[no-untyped-def]
    size = round(_WINDOW_S * sample_rate_hz)
    _, _, spectrum = signal.stft(samples, nperseg=size, noverlap=3 * size // 4)
    _, out = signal.istft(spectrum * gain(spectrum), nperseg=size, noverlap=3 * size // 4)
    return np.asarray(np.pad(out, (0, max(0, samples.size - out.size)))[: samples.size], dtype=np.float32)
