"""Lines of mains hum: a steady tone near 50 or 60 Hz or its first overtones, to a few hundredths of a hertz.

Hum recorded with the music changes its frequency with the speed of the transfer; hum added at the transfer does
not. So a line off the mains frequency tells the speed (facts such as: 60 Hz hum read at 58.9 Hz, 32 cents slow),
a line on it tells nothing, and several lines point to several copying generations.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from pipeline.signal.tuning.partials import RATE_HZ
from pipeline.units import Floats, db_of_power

MAINS_HZ = (50.0, 60.0)  # Europe and America
_OVERTONES = (1, 2)  # what is strong enough to be found
_REACH = 0.08  # how far off a transfer may run (common practice, no source)
_SEGMENT_S = 20.0  # resolves 0.05 Hz, betters it by a parabola
_DECIMATE = 16  # up to 170 Hz
_CLEAR_DB = 14.0  # over the floor beside it (common practice, no source)
_LEAST_SHARE = 0.6  # of the side on which the line must stand out (common practice, no source)


@dataclass(frozen=True)
class HumLine:
    """A steady line: its frequency, brought down to the fundamental, and its level over the floor."""

    hz: float
    clear_db: float


def hum_lines(slow: npt.NDArray[np.float32]) -> tuple[HumLine, ...]:
    """Steady lines near mains frequencies in samples at ``partials.RATE_HZ``; strongest first."""
    low = _low_band(slow)
    rate = RATE_HZ / _DECIMATE
    size = int(_SEGMENT_S * rate)
    if low.size < size:
        return ()
    window = np.hanning(size + 1)[:-1]
    starts = np.arange(0, low.size - size + 1, size // 2)
    padded = 4 * size
    power = np.stack([np.abs(fft.rfft(low[s : s + size] * window, n=padded)) ** 2 for s in starts])
    hz = fft.rfftfreq(padded, 1.0 / rate)
    found: list[HumLine] = []
    for mains in MAINS_HZ:
        for overtone in _OVERTONES:
            line = _line(hz, power, mains * overtone, overtone)
            if line is not None and not any(abs(line.hz / other.hz - 1.0) < 5e-4 for other in found):
                found.append(line)
    return tuple(sorted(found, key=lambda line: (-line.clear_db, line.hz)))


def _low_band(slow: npt.NDArray[np.float32]) -> Floats:
    # a boxcar over the decimation, twice: enough below 130 Hz, where nothing folds from above 210 Hz unweakened
    usable = slow[: slow.size // _DECIMATE * _DECIMATE].astype(np.float64)
    kernel = np.hanning(2 * _DECIMATE + 1)
    padded = np.pad(usable, _DECIMATE)
    beside = np.lib.stride_tricks.sliding_window_view(padded, kernel.size)[::_DECIMATE]
    return np.asarray(beside @ (kernel / kernel.sum()))


def _line(hz: Floats, power: Floats, centre_hz: float, overtone: int) -> HumLine | None:
    near = np.flatnonzero(np.abs(hz / centre_hz - 1.0) < _REACH)
    mean = np.median(power[:, near], axis=0)
    peak = int(np.argmax(mean))
    if peak in (0, near.size - 1):
        return None
    floor = float(np.median(mean)) + 1e-30
    clear_db = float(db_of_power(mean[peak] / floor + 1e-30))
    steady = float(np.mean(power[:, near[peak]] > 10.0 * np.median(power[:, near], axis=1)))
    if clear_db < _CLEAR_DB or steady < _LEAST_SHARE:
        return None
    a, b, c = np.log(mean[peak - 1 : peak + 2] + 1e-30)
    shift = 0.5 * (a - c) / (a - 2.0 * b + c)
    return HumLine(float((hz[near[peak]] + shift * (hz[1] - hz[0])) / overtone), clear_db)
