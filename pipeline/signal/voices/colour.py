"""What tells two bowed instruments apart beside pitch and level: how strongly each sounds at each height.

The resonances of a body stay where they are whatever is played, so the levels of a line's partials, less what all
partials of that number have, draw its body's response. What two lines share, the room and the horn among it, drops out.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.units import Floats

LOWEST_HZ, PER_OCTAVE, BANDS = 150.0, 4, 22
"""Bands of a quarter octave from the lowest string of the cello's second partial up to 6.4 kHz."""
APART_HZ = 45.0
"""A partial so near one of the other line's says nothing: about the width of what is taken out."""


@dataclass(frozen=True)
class Colour:
    """Levels (2, n, partials) of two lines in dB above what is usual, NaN where unknown; their bands."""

    above_db: Floats
    band: npt.NDArray[np.int64]


def colour(levels_db: Floats, f0_hz: Floats) -> Colour:
    """The colour of two lines from the levels of their partials (2, n, partials) and their pitches (2, n)."""
    number = np.arange(1, levels_db.shape[2] + 1)
    hz = f0_hz[:, :, np.newaxis] * number
    known = np.isfinite(levels_db) & np.isfinite(hz)
    level = np.where(known, levels_db, np.nan)
    sounding = known.any(axis=2)
    if not sounding.any():
        return Colour(level, np.zeros(level.shape, dtype=np.int64))
    level[sounding] -= np.nanmedian(level[sounding][:, :6], axis=1, keepdims=True)
    usual = [float(np.nanmean(one)) if np.isfinite(one).any() else 0.0 for one in np.moveaxis(level, 2, 0)]
    other = f0_hz[::-1, :, np.newaxis]
    nearest = np.maximum(np.rint(hz / other), 1.0)
    covered = np.abs(hz - nearest * other) < APART_HZ
    band = np.floor(PER_OCTAVE * np.log2(np.where(known, hz, LOWEST_HZ) / LOWEST_HZ)).astype(np.int64)
    return Colour(np.where(covered, np.nan, level - usual), np.clip(band, 0, BANDS - 1))
