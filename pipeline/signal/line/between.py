"""What sounds between two notes, seen from both: spectra along the way from one to the other, in time.

A *view* of a change of note has a row for every second frame and a column for every share of the way from the first
pitch to the second, from before the first to past the second; in each cell stand the partials of that pitch. So a glide
is a slope from one corner to the other, whatever the interval and however faint, and a leap is two level lines.
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within
from pipeline.signal.line.grid import BELOW
from pipeline.signal.line.spectrum import BINS_PER_SEMITONE, F32
from pipeline.units import semitones_of_ratio

STEP = 2
"""Frames from one row of a view to the next: 11.6 ms."""
MARGIN = 10
"""Rows of both notes on either side of what lies between them: 116 ms."""
MOST_ROWS = 48
"""Rows of a view at most: of what takes longer, the middle 560 ms."""
COLUMNS = 24
"""Columns of a view."""
FIRST, LAST = -0.4, 1.4
"""Shares of the way from note to note at the first and last column."""
CELL = (LAST - FIRST) / (COLUMNS - 1)
"""Share of the way from one column to the next."""
PARTIALS = 8
"""Partials looked at, the highest four by twos."""
LOW_PARTIALS = 4
"""Partials looked at in the long window."""
PLANES = 6 + LOW_PARTIALS + 6
"""Numbers of a cell that are heard."""
_HEARD = ("partial 1", "partial 2", "partial 3", "partial 4", "partials 5 and 6", "partials 7 and 8")
NAMES = (
    *(f"short window, {heard}" for heard in _HEARD),
    *(f"long window, {heard}" for heard in _HEARD[:LOW_PARTIALS]),
    *(f"quick window, {heard}" for heard in _HEARD),
    "interval",
    "pitch",
)
"""What each cell holds: the planes, and two numbers that are the same in all cells of a view."""


@dataclass(frozen=True)
class Change:
    """A change of note: frames at which the first note ends and the second begins, and their pitches (MIDI at 440).

    ``plain``: the line leaves no doubt that it is a leap.
    """

    end: int
    start: int
    a: float
    b: float
    plain: bool = False

    @property
    def rows(self) -> tuple[int, int]:
        """First row of its view and the row after the last, ``STEP`` frames each; the first may be negative."""
        first = self.end // STEP - MARGIN
        last = -(-self.start // STEP) + MARGIN
        spare = max(last - first - MOST_ROWS, 0)
        return first + spare // 2, last - (spare - spare // 2)

    def pitch_at(self, column: Any) -> Any:
        """MIDI number of a column, which may be a fraction, or an array of them."""
        return self.a + (self.b - self.a) * (FIRST + CELL * column)


@dataclass(frozen=True)
class Spectra:
    """Whitened grids (rows, bins) of the same stretch by the short, the long and the quick window."""

    high: F32
    low: F32
    quick: F32


@cache
def _offsets() -> npt.NDArray[np.float64]:
    return np.array([BINS_PER_SEMITONE * float(semitones_of_ratio(h)) for h in range(1, PARTIALS + 1)])


def view(spectra: Spectra, top: int, change: Change, *, lowest_midi: float) -> F32:
    """The view (rows, ``COLUMNS``, ``PLANES`` + 2) of a change in spectra whose first row is row ``top`` of the side.

    ``lowest_midi`` is the pitch of the first searched bin. What lies outside the spectra is 0.
    """
    first, last = change.rows
    out = np.zeros((last - first, COLUMNS, PLANES + 2), dtype=np.float32)
    from_bin, to_bin = (BELOW + (midi - lowest_midi) * BINS_PER_SEMITONE for midi in (change.a, change.b))
    _fill(spectra.high, spectra.low, spectra.quick, first - top, from_bin, to_bin, _offsets(), out)
    out[..., PLANES] = abs(change.b - change.a) / 6.0 - 1.0
    out[..., PLANES + 1] = (change.a - 69.0) / 12.0
    return out


@compiled()
def _fill(high, low, quick, first, from_bin, to_bin, offsets, out):  # type: ignore[no-untyped-def]
    half = 0.5 * abs(to_bin - from_bin) * CELL
    for t in range(out.shape[0]):
        row = first + t
        if row < 0 or row >= high.shape[0]:
            continue
        for v in range(COLUMNS):
            place = from_bin + (to_bin - from_bin) * (FIRST + v * CELL)
            cell = out[t, v]
            for h in range(LOW_PARTIALS):
                cell[h] = _strongest(high[row], place + offsets[h], half)
                cell[6 + h] = _strongest(low[row], place + offsets[h], half)
                cell[10 + h] = _strongest(quick[row], place + offsets[h], half)
            for k in range(2):
                one, other = place + offsets[4 + 2 * k], place + offsets[5 + 2 * k]
                cell[4 + k] = _mean_strongest(high[row], one, other, half)
                cell[14 + k] = _mean_strongest(quick[row], one, other, half)


@compiled_within()
def _mean_strongest(row, one, other, half):  # type: ignore[no-untyped-def]
    return np.float32(0.5) * (_strongest(row, one, half) + _strongest(row, other, half))


@compiled_within()
def _strongest(row, place, half):  # type: ignore[no-untyped-def]
    """The highest value within ``half`` bins of a place, or between its two bins where the cell is narrower."""
    n = row.shape[0]
    if half <= 0.5:
        i = int(np.floor(place))
        share = np.float32(place - i)
        return row[i] + share * (row[i + 1] - row[i]) if i >= 0 and i + 1 < n else np.float32(0.0)
    first = max(0, round(place - half))
    last = min(n - 1, round(place + half))
    best = np.float32(-9.0)
    for i in range(first, last + 1):
        if row[i] > best:
            best = row[i]
    return best if last >= first else np.float32(0.0)
