"""What real grooves and turntables add to hiss and rumble: whine, unrest of the hiss, clusters of clicks.

Ranges are drawn about figures of 24 cuts of run-in and run-out grooves of seven shellac sides in one archive's
transfers: a line at 250 Hz 12-28 dB over the floor with its third harmonic and side lines in 14 of them, level unrest
of 2.7 dB (quartiles 1.4 and 5.7) in 50 ms, clicks in clusters with heights by a power law.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.units import Floats, gain_of_db

Samples = npt.NDArray[np.float32]
_WHINE_SHARE = 0.4  # of discs that whine (common practice, no source)
_FLOOR_BIN_HZ = 1.5  # width of a line of whine (common practice, no source)
_CLUSTER_S = 0.08  # length of a cluster of clicks (common practice, no source)


@dataclass(frozen=True)
class Wear:
    """A whine in Hz and dB over the floor in a bin of 1.5 Hz (0 Hz: none), unrest of the hiss, and clicks.

    ``side_hz`` is the distance of the whine's side lines; the unrest has a spread in dB and a time in s.
    """

    whine_hz: float
    whine_db: float
    side_hz: float
    unrest_db: float
    unrest_s: float
    clusters_per_s: float
    small_clicks_per_s: float


def random_wear(rng: np.random.Generator) -> Wear:
    """Wear of one side."""
    whines = rng.random() < _WHINE_SHARE
    return Wear(
        whine_hz=float(np.exp(rng.uniform(np.log(45.0), np.log(400.0)))) if whines else 0.0,
        whine_db=float(rng.uniform(10.0, 28.0)),
        side_hz=float(rng.uniform(8.0, 25.0)),
        unrest_db=float(rng.uniform(1.5, 3.0)),
        unrest_s=float(rng.uniform(0.05, 0.2)),
        clusters_per_s=float(np.exp(rng.uniform(np.log(0.5), np.log(5.0)))),
        small_clicks_per_s=float(rng.uniform(10.0, 20.0)),
    )


def unrest(n: int, *, wear: Wear, sample_rate_hz: int, rng: np.random.Generator) -> Samples:
    """Factor (n,) by which the level of the hiss moves."""
    step = wear.unrest_s * sample_rate_hz
    knots = rng.normal(0.0, wear.unrest_db, int(n / step) + 2)
    return np.asarray(gain_of_db(np.interp(np.arange(n) / step, np.arange(knots.size), knots)), dtype=np.float32)


def whine(n: int, *, wear: Wear, hz: Floats, density: Floats, sample_rate_hz: int) -> Samples:
    """A steady tone (n,) with its third harmonic and side lines, over a noise of power ``density`` (1/Hz) at ``hz``."""
    at = np.arange(n, dtype=np.float64) * (2.0 * np.pi / sample_rate_hz)
    out = np.zeros(n)
    if wear.whine_hz:
        near = (hz > 0.9 * wear.whine_hz) & (hz < 1.1 * wear.whine_hz)
        floor = float(density[near].mean()) * _FLOOR_BIN_HZ
        high = np.sqrt(2.0 * floor) * gain_of_db(wear.whine_db)
        lines = ((0.0, 0.0), (2.0 * wear.whine_hz, -12.0), (-wear.side_hz, -10.0), (wear.side_hz, -10.0))
        for k, (above_hz, below_db) in enumerate(lines):
            out += high * gain_of_db(below_db) * np.sin(at * (wear.whine_hz + above_hz) + 1.7 * k)
    return out.astype(np.float32)


def clicks(n: int, *, wear: Wear, sample_rate_hz: int, rng: np.random.Generator) -> Samples:
    """Clicks (n,) over a noise of unit level: clusters of up to eight, heights by a power law, and small ones."""
    seconds = n / sample_rate_hz
    starts = rng.uniform(0.0, seconds, rng.poisson(wear.clusters_per_s * seconds))
    clustered = [start + rng.uniform(0.0, _CLUSTER_S, int(rng.integers(1, 9))) for start in starts]
    small = rng.uniform(0.0, seconds, rng.poisson(wear.small_clicks_per_s * seconds))
    where = np.concatenate([*clustered, small])
    height = np.minimum(5.0 * (1.0 + rng.pareto(2.0, where.size)), 200.0)
    height[where.size - small.size :] = rng.uniform(1.0, 5.0, small.size)
    width_s = np.exp(rng.uniform(np.log(0.06e-3), np.log(2.4e-3), where.size))
    phase = rng.uniform(0.0, 2.0 * np.pi, where.size)
    out = np.zeros(n)
    for s, h, w, p in zip(where, height, width_s, phase, strict=True):
        first = int(s * sample_rate_hz)
        length = min(max(int(4.0 * w * sample_rate_hz), 2), n - first)
        at = np.arange(length) / sample_rate_hz
        out[first : first + length] += h * np.exp(-at / w) * np.cos(np.pi * at / w + p)
    return out.astype(np.float32)
