"""A followed line taken out of a sound, so that what is left can be followed in turn."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.runs import runs
from pipeline.signal.line.texture import Line
from pipeline.signal.recovery.partials import Samples, count_of, taken
from pipeline.units import Floats, db_of_gain

TRUSTED = 0.3
"""Least confidence at which a line is taken to sound (``benchmarks.duets``)."""
PARTIALS = 10  # up to the half of the sampling rate for all but low notes; those above are weak
MENDED_FRAMES = 4  # gaps so short are bridged, for the tone goes on (common practice, no source)
AT_ONCE_S = 4.0  # taken out at once, for memory


@dataclass(frozen=True)
class TakenOut:
    """The samples left, and the levels (frames, ``PARTIALS``) in dB of the line's partials; NaN where it is silent."""

    left: Samples
    levels_db: Floats


def taken_out(samples: Samples, line: Line, *, sample_rate_hz: float) -> TakenOut:
    """Samples (n,) less the partials of the line where it is trusted, each with its own loudness."""
    left = np.array(samples, dtype=np.float32)
    levels = np.full((line.time_s.size, PARTIALS), np.nan)
    hop = sample_rate_hz * float(line.time_s[1] - line.time_s[0])
    for first, end in _pieces(
        np.isfinite(line.f0_hz) & (line.confidence > TRUSTED), round(AT_ONCE_S * sample_rate_hz / hop)
    ):
        start, stop = max(0, round((first - 0.5) * hop)), min(round((end - 0.5) * hop), left.size)
        if stop - start < 2:
            continue
        frames = np.arange(first, end)
        known = frames[np.isfinite(line.f0_hz[first:end])]
        hz = np.interp(np.arange(start, stop) / hop, known, line.f0_hz[known])
        partials = min(count_of(float(hz.max()), sample_rate_hz=sample_rate_hz), PARTIALS)
        piece = left[start:stop].astype(np.float64)
        tone = taken(piece, hz, sounding=(0, piece.size), partials=partials, sample_rate_hz=sample_rate_hz)
        left[start:stop] -= tone.sound().astype(np.float32)
        middles = np.clip(np.rint(frames * hop).astype(np.int64) - start, 0, piece.size - 1)
        levels[first:end, :partials] = db_of_gain(np.abs(tone.amplitudes[:, middles]).T + 1e-9)
    return TakenOut(left, levels)


def _pieces(on: npt.NDArray[np.bool_], most: int) -> list[tuple[int, int]]:
    """First and end of each run of frames that are on, short gaps bridged, cut into pieces of ``most`` frames."""
    mended: list[tuple[int, int]] = []
    for first, end in runs(on):
        if mended and first - mended[-1][1] <= MENDED_FRAMES:
            mended[-1] = (mended[-1][0], end)
        else:
            mended.append((first, end))
    return [(at, min(at + most, end)) for first, end in mended for at in range(first, end, most)]
