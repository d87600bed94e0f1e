"""From a tuning curve and a reading to the correction along the side; a session lends weak sides its shape."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline

from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.tuning.wow import Wow
from pipeline.units import Floats

GRID_S = 0.02  # finer than any turntable's waver
WEAK_SE_CENTS = 3.0  # from here on the shape of others is better than none (common practice, no source)
_LEAST_DONORS = 2  # one alone may itself be odd
_LEAST_SPREAD_CENTS = 3.0  # how far sides of a session differ in shape at least (common practice, no source)


@dataclass(frozen=True)
class SharpCurve:
    """How sharp a side sounds along its length, modulo a semitone.

    Attributes
    ----------
    length_s, mean_cents : length of the transfer, mean of drift and jump over it.
    time_s, smooth_cents, se_cents : shape (n,), the drift and the standard error of drift and jump.
    jumps : moments and sizes, in cents, of sudden changes.
    wow : None if not significant.
    """

    length_s: float
    mean_cents: float
    time_s: Floats
    smooth_cents: Floats
    se_cents: Floats
    jumps: tuple[tuple[float, float], ...]
    wow: Wow | None

    def grid(self) -> Floats:
        """Times every ``GRID_S`` over the transfer, the end included."""
        return time_grid(self.length_s)

    def drift_at(self, time_s: Floats) -> Floats:
        """Drift and jump, without wow."""
        smooth = np.asarray(CubicSpline(self.time_s, self.smooth_cents)(time_s))
        return smooth + sum(cents * (time_s >= jump_s) for jump_s, cents in self.jumps)

    def turned(self, turns: tuple[int, ...]) -> "SharpCurve":
        """The same with each sudden change so many semitones larger."""
        jumps, mean = [], self.mean_cents
        for (jump_s, cents), turn in zip(self.jumps, turns, strict=True):
            jumps.append((jump_s, cents + 100.0 * turn))
            mean += 100.0 * turn * self.share_after(jump_s)
        return replace(self, jumps=tuple(jumps), mean_cents=mean)

    def level(self) -> "SharpCurve":
        """The same without drift and sudden changes: all along as sharp as it is on the whole."""
        whole = np.full(self.time_s.size, self.mean_cents)
        return replace(self, smooth_cents=whole, jumps=())

    def share_after(self, time_s: float) -> float:
        """What part of the side comes after a moment."""
        return 1.0 - time_s / self.length_s

    def correction(self, *, offset_cents: float) -> Floats:
        """Correction on ``grid()`` if ``offset_cents`` is the correction at the mean of the curve."""
        grid = self.grid()
        cents = offset_cents + self.mean_cents - self.drift_at(grid)
        return cents - self.wow.at(grid, length_s=self.length_s) if self.wow else cents

    def se_at(self, time_s: Floats) -> Floats:
        """Standard error of drift and jump at times (n,)."""
        return np.interp(time_s, self.time_s, self.se_cents)


def time_grid(length_s: float) -> Floats:
    """Times every ``GRID_S`` from 0 to the end of a transfer."""
    return GRID_S * np.arange(max(1, int(np.ceil(length_s / GRID_S))) + 1, dtype=np.float64)


def speed_ratio(grid_s: Floats, correction_cents: Floats, *, length_s: float) -> float:
    """Length of a transfer over its corrected length."""
    return length_s / float(SpeedMap(grid_s, correction_cents).to_true_s(length_s))


def helped_by_session(curves: Mapping[str, SharpCurve]) -> dict[str, SharpCurve]:
    """The curves, those weakly known drawn towards the usual shape of their session's other sides.

    Shapes are slope and bend (Legendre polynomials of degree 1 and 2 over the side). A side counts as weak if its
    standard error exceeds ``WEAK_SE_CENTS``; it needs two others that are not, and sides with a jump neither give
    nor take. How much a shape is drawn follows from the two variances: the side's own and that between sides.
    """
    plain = {name: curve for name, curve in curves.items() if not curve.jumps}
    errors = {name: float(np.sqrt(np.mean(curve.se_cents**2))) for name, curve in plain.items()}
    shapes = {name: _shape(curve) for name, curve in plain.items()}
    helped = dict(curves)
    for name in sorted(plain):
        donors = [other for other in sorted(plain) if other != name and errors[other] <= WEAK_SE_CENTS]
        if errors[name] <= WEAK_SE_CENTS or len(donors) < _LEAST_DONORS:
            continue
        others = np.array([shapes[other] for other in donors])
        spread = np.maximum(others.var(axis=0, ddof=1), _LEAST_SPREAD_CENTS**2) * (1.0 + 1.0 / len(donors))
        share = errors[name] ** 2 / (errors[name] ** 2 + spread)
        helped[name] = _bent(plain[name], share * (others.mean(axis=0) - shapes[name]), share)
    return helped


def _basis(curve: SharpCurve) -> Floats:
    x = 2.0 * curve.time_s / curve.length_s - 1.0
    return np.stack([x, 1.5 * x**2 - 0.5], axis=1)


def _shape(curve: SharpCurve) -> Floats:
    basis = _basis(curve)
    solution = np.linalg.lstsq(basis, curve.smooth_cents - curve.smooth_cents.mean(), rcond=None)[0]
    return np.asarray(solution, dtype=np.float64)


def _bent(curve: SharpCurve, change: Floats, share: Floats) -> SharpCurve:
    basis = _basis(curve)
    added = basis @ change
    smooth = curve.smooth_cents + added - added.mean()
    se = curve.se_cents * np.sqrt(1.0 - 0.5 * float(share.mean()))
    return replace(curve, smooth_cents=smooth, se_cents=se)
