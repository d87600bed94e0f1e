"""Applies a speed correction to times and pitches, and undoes it.

With s(t) = true speed / speed of the transfer at transfer time t, ``correction_cents`` = 1200 log2 s is what must
be added to a transfer's pitch to get the true pitch, and a stretch dt of the transfer lasts dt / s(t) in truth.
Between grid points the correction is a straight line in cents, so the integral of 1/s and its inverse have closed
forms (a logarithmic mean) and times map both ways without a numerical solver. Outside the grid the correction
stays what it is at the nearer end. Transfer time 0 is true time 0.

What follows from dt / s, and is tested: frequencies times s, durations divided by s, intervals in cents unchanged,
slopes in cents per second times s, slopes in Hz per second times s squared, counts per minute times s.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.units import NEPERS_PER_CENT, Floats


@dataclass(frozen=True)
class SpeedMap:
    """A correction curve on a grid of transfer times.

    Attributes
    ----------
    time_s : shape (n,), n >= 1, strictly rising transfer times in s.
    correction_cents : shape (n,), what to add to raw pitch, in cents.

    Raises
    ------
    ValueError
        If the arrays differ in shape, are empty, hold a value that is not finite, or the times do not rise.

    A minute transferred a semitone flat lasts 56.6 s:

    >>> speed_map = SpeedMap.constant(correction_cents=100.0, length_s=60.0)
    >>> round(float(speed_map.to_true_s(60.0)), 3)
    56.632
    """

    time_s: Floats
    correction_cents: Floats
    _true_s: Floats = field(init=False, repr=False, compare=False)
    _pace: Floats = field(init=False, repr=False, compare=False)
    _decay: Floats = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        time_s = np.array(self.time_s, dtype=np.float64)
        cents = np.array(self.correction_cents, dtype=np.float64)
        if time_s.ndim != 1 or time_s.size == 0 or time_s.shape != cents.shape:
            raise ValueError(f"need two arrays of one length >= 1, got shapes {time_s.shape} and {cents.shape}")
        if not (np.isfinite(time_s).all() and np.isfinite(cents).all()):
            raise ValueError("times and corrections must be finite; drop the grid points that are not")
        if (np.diff(time_s) <= 0).any():
            raise ValueError("times must rise strictly; sort them and drop repeats")
        object.__setattr__(self, "time_s", time_s)
        object.__setattr__(self, "correction_cents", cents)
        lengths = np.diff(time_s)
        pace = np.exp(-NEPERS_PER_CENT * cents)
        decay = np.append(NEPERS_PER_CENT * np.diff(cents) / lengths, 0.0)
        object.__setattr__(self, "_pace", pace)
        object.__setattr__(self, "_decay", decay)
        grown = np.concatenate(([0.0], np.cumsum(_advance(lengths, pace[:-1], decay[:-1]))))
        object.__setattr__(self, "_true_s", grown)
        object.__setattr__(self, "_true_s", grown - float(self.to_true_s(0.0)))

    @classmethod
    def constant(cls, *, correction_cents: float, length_s: float) -> "SpeedMap":
        """The same correction over a transfer of ``length_s`` (> 0) seconds."""
        return cls(np.array([0.0, length_s]), np.full(2, correction_cents))

    @classmethod
    def identity(cls, length_s: float) -> "SpeedMap":
        """No correction over a transfer of ``length_s`` (> 0) seconds."""
        return cls.constant(correction_cents=0.0, length_s=length_s)

    def cents_at(self, transfer_s: npt.ArrayLike) -> Floats:
        """Correction in cents at transfer times (any shape; NaN where the time is NaN)."""
        return np.interp(np.asarray(transfer_s, dtype=np.float64), self.time_s, self.correction_cents)

    def ratio_at(self, transfer_s: npt.ArrayLike) -> Floats:
        """True speed / transfer speed at transfer times."""
        return np.exp(NEPERS_PER_CENT * self.cents_at(transfer_s))

    def true_hz(self, raw_hz: npt.ArrayLike, *, transfer_s: npt.ArrayLike) -> Floats:
        """True frequencies of raw ones that sounded at ``transfer_s`` (shapes broadcast; NaN stays NaN)."""
        return np.asarray(raw_hz, dtype=np.float64) * self.ratio_at(transfer_s)

    def raw_hz(self, true_hz: npt.ArrayLike, *, transfer_s: npt.ArrayLike) -> Floats:
        """Undoes ``true_hz``."""
        return np.asarray(true_hz, dtype=np.float64) / self.ratio_at(transfer_s)

    def to_true_s(self, transfer_s: npt.ArrayLike) -> Floats:
        """True times of transfer times (any shape); before and after the grid its end values go on."""
        transfer_s = np.asarray(transfer_s, dtype=np.float64)
        index = np.searchsorted(self.time_s, transfer_s, side="right") - 1
        return self._within(index, transfer_s, self.time_s, self._true_s, undo=False)

    def to_transfer_s(self, true_s: npt.ArrayLike) -> Floats:
        """Transfer times of true times (any shape): undoes ``to_true_s`` to within 1e-9 s."""
        true_s = np.asarray(true_s, dtype=np.float64)
        index = np.searchsorted(self._true_s, true_s, side="right") - 1
        return self._within(index, true_s, self._true_s, self.time_s, undo=True)

    def segments(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Grid times, their true times, 1/ratio there, and its rate of decay to the next point (0 at the last)."""
        return self.time_s, self._true_s, self._pace, self._decay

    def _within(
        self, index: npt.NDArray[np.intp], asked: Floats, start: Floats, result: Floats, *, undo: bool
    ) -> Floats:
        last = self.time_s.size - 1
        held = np.clip(index, 0, last)
        bend = np.where(index < 0, 0.0, self._decay[held])
        step = asked - start[held]
        pace = self._pace[held]
        if undo:
            return np.asarray(result[held] + _retreat(step, pace, bend))
        return np.asarray(result[held] + _advance(step, pace, bend))


def _advance(step: Floats, pace: Floats, decay: Floats) -> Floats:
    # integral over u in 0..step of pace exp(-decay u), with the limit pace * step where decay vanishes
    x = -decay * step
    safe = np.where(np.abs(x) < 1e-12, 1.0, x)
    return np.asarray(pace * step * np.where(np.abs(x) < 1e-12, 1.0 + 0.5 * x, np.expm1(safe) / safe))


def _retreat(grown: Floats, pace: Floats, decay: Floats) -> Floats:
    # the step whose integral is ``grown``: -log1p(-decay y) / decay with y = grown / pace
    y = grown / pace
    x = -decay * y
    safe = np.where(np.abs(x) < 1e-12, 1.0, x)
    return np.asarray(y * np.where(np.abs(x) < 1e-12, 1.0 - 0.5 * x, np.log1p(safe) / safe))
