"""The speed that a rendered side should have had, against that of its transfer, as a curve in transfer time.

``correction_cents`` is 1200 log2(true speed / transfer speed): add it to transfer pitch to get true pitch. True
time runs at 1/ratio of transfer time, so a transfer that runs slow (ratio above 1) is longer than the truth.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.units import Floats, hz_of_rpm, ratio_of_cents

SHAPES = ("line", "curve", "bump")


@dataclass(frozen=True)
class SpeedPlan:
    """Offset, drift, wow and one sudden change.

    Attributes
    ----------
    offset_cents : the correction at the middle of the side, wow and step apart.
    drift_cents : change of the correction from start to end (``line``, ``curve``) or height of the ``bump``.
    drift_shape : ``line``; ``curve`` (half of the change in the first quarter); ``bump`` (there and back).
    wow_hz, wow_cents, wow_phase_rad : once-per-turn sinusoid; depth at the middle of the side.
    radius_ratio : outer over inner groove radius; wow depth grows as 1/radius.
    step_fraction, step_cents : a sudden change of the correction at this fraction of the side (0: none).
    """

    offset_cents: float = 0.0
    drift_cents: float = 0.0
    drift_shape: str = "line"
    wow_hz: float = 0.0
    wow_cents: float = 0.0
    wow_phase_rad: float = 0.0
    radius_ratio: float = 1.0
    step_fraction: float = 0.0
    step_cents: float = 0.0

    def nominal_length_s(self, true_length_s: float) -> float:
        """Length of the transfer in s if the offset were all; fractions of the side refer to it."""
        return float(true_length_s * ratio_of_cents(self.offset_cents))

    def cents_at(self, transfer_s: Floats, *, true_length_s: float) -> Floats:
        """Correction in cents at transfer times (n,)."""
        x = np.asarray(transfer_s, dtype=np.float64) / self.nominal_length_s(true_length_s)
        if self.drift_shape == "line":
            drift = x - 0.5
        elif self.drift_shape == "curve":
            drift = np.sqrt(np.clip(x, 0.0, None)) - np.sqrt(0.5)
        elif self.drift_shape == "bump":
            drift = np.sin(np.pi * np.clip(x, 0.0, 1.0)) ** 2 - 1.0
        else:
            raise ValueError(f"drift_shape {self.drift_shape!r}: use one of {', '.join(SHAPES)}")
        middle = 0.5 * (1.0 + 1.0 / self.radius_ratio)
        depth = self.wow_cents * middle / np.clip(1.0 + (1.0 / self.radius_ratio - 1.0) * x, 0.2, None)
        wow = depth * np.sin(2.0 * np.pi * self.wow_hz * np.asarray(transfer_s) + self.wow_phase_rad)
        cents = self.offset_cents + self.drift_cents * drift + wow
        if self.step_cents:
            cents = cents + self.step_cents * (x >= self.step_fraction)
        return np.asarray(cents, dtype=np.float64)


def random_speed(
    rng: np.random.Generator,
    *,
    offset_sd_cents: float,
    drift_max_cents: float,
    wow_max_cents: float,
    step_share: float,
) -> SpeedPlan:
    """A speed plan with random offset, drift (either sign), wow of 78 rpm discs and sometimes a sudden change."""
    step = bool(rng.random() < step_share)
    return SpeedPlan(
        offset_cents=float(rng.normal(0.0, offset_sd_cents)),
        drift_cents=float(rng.uniform(-drift_max_cents, drift_max_cents)),
        drift_shape=str(rng.choice(SHAPES)),
        wow_hz=float(hz_of_rpm(rng.uniform(70.0, 84.0))),
        wow_cents=float(rng.uniform(0.0, wow_max_cents)),
        wow_phase_rad=float(rng.uniform(0.0, 2.0 * np.pi)),
        radius_ratio=float(rng.uniform(1.0, 2.2)),
        step_fraction=float(rng.uniform(0.25, 0.75)) if step else 0.0,
        step_cents=float(rng.choice((-1.0, 1.0)) * rng.uniform(15.0, 45.0)) if step else 0.0,
    )


@dataclass(frozen=True)
class TimeWarp:
    """Transfer times on a fine even grid with the true time and the correction at each point."""

    transfer_s: Floats
    true_s: Floats
    cents: Floats

    def to_transfer_s(self, true_s: Floats | float) -> Floats:
        """Transfer time of true times."""
        return np.asarray(np.interp(true_s, self.true_s, self.transfer_s), dtype=np.float64)


def time_warp(speed: SpeedPlan, *, true_length_s: float, step_s: float) -> TimeWarp:
    """Integrate a speed plan over a side of ``true_length_s`` on a grid of ``step_s`` (trapezoid rule)."""
    longest = speed.nominal_length_s(true_length_s) * 1.1 + 0.1
    grid = np.asarray(np.arange(int(np.ceil(longest / step_s)) + 1) * step_s, dtype=np.float64)
    cents = speed.cents_at(grid, true_length_s=true_length_s)
    rate = ratio_of_cents(-cents)
    true = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * step_s)))
    n = int(np.searchsorted(true, true_length_s)) + 1
    return TimeWarp(transfer_s=grid[:n], true_s=true[:n], cents=cents[:n])
