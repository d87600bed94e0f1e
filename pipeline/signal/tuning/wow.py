"""Once-per-turn wow: a sinusoid that keeps its phase over the whole side.

Off-centre by e at groove radius r the pitch deviates by at most e / r, so the depth grows as 1 / radius towards
the centre. Vibrato is faster and keeps no phase; notes that follow the beat differ between tones, and tones' own
means hardly count here. What remains is judged against the spectrum of the same residuals beside the peak. The
phase tells where the hole lies, and nothing of the speed that the disc was cut at: it speaks for no reading.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import softmax

from pipeline.signal.tuning.spline import Weights
from pipeline.signal.tuning.steady_tones import Tracks
from pipeline.units import Floats

LOWEST_HZ, HIGHEST_HZ = 1.05, 1.5  # turns a second of 63 to 90 rpm
# relative change of radius over a side, (outer - inner) / mean: 0 to 12-inch discs
_SHRINKING = np.linspace(0.0, 0.8, 9)
_CELL_S = 0.02
_ITERATIONS = 4


@dataclass(frozen=True)
class Wow:
    """A wow: ``cents`` is the depth (peak from the middle) halfway; ``shrink`` the relative change of radius.

    Deviation at time t: cents / (1 - shrink (t / length - 1/2)) sin(2 pi hz t + phase_rad).
    ``hz_se`` is the standard error of the frequency, ``chance`` the probability of such a peak without wow.
    """

    hz: float
    cents: float
    phase_rad: float
    shrink: float
    hz_se: float
    cents_se: float
    chance: float

    def at(self, time_s: Floats, *, length_s: float) -> Floats:
        """Deviation in cents at ``time_s`` (n,)."""
        depth = self.cents * growth(time_s, shrink=self.shrink, length_s=length_s)
        return np.asarray(depth * np.sin(2.0 * np.pi * self.hz * time_s + self.phase_rad))


def growth(time_s: Floats, *, shrink: float, length_s: float) -> Floats:
    """Depth relative to that halfway, as 1 / radius; held beyond the ends."""
    return np.asarray(1.0 / (1.0 - shrink * (np.clip(time_s / length_s, 0.0, 1.0) - 0.5)))


def wow_columns(tracks: Tracks, *, hz: float, shrink: float, length_s: float) -> Floats:
    """Sine and cosine columns at the points, weakened as a mean over each point's window weakens them; (n, 2)."""
    return _grown(tracks, _seen(tracks, hz), shrink, length_s)


def _seen(tracks: Tracks, hz: float) -> Floats:
    return np.sinc(hz * tracks.window_s)[:, None] * _even_waves(tracks.time_s, hz)


def _grown(tracks: Tracks, seen: Floats, shrink: float, length_s: float) -> Floats:
    return growth(tracks.time_s, shrink=shrink, length_s=length_s)[:, None] * seen


def _even_waves(time_s: Floats, hz: float) -> Floats:
    angle = 2.0 * np.pi * hz * time_s
    return np.stack([np.sin(angle), np.cos(angle)], axis=1)


def waves_at(time_s: Floats, *, hz: float, shrink: float, length_s: float) -> Floats:
    """Sine and cosine columns at moments (n,), (n, 2)."""
    return growth(time_s, shrink=shrink, length_s=length_s)[:, None] * _even_waves(time_s, hz)


def find_wow(
    tracks: Tracks,
    residual: Floats,
    weights: Weights,
    *,
    length_s: float,
    lowest_hz: float = LOWEST_HZ,
    highest_hz: float = HIGHEST_HZ,
) -> Wow:
    """The strongest wow between two frequencies in the residuals (n,) of a curve, significant or not."""
    whitened = weights.times(residual, tracks)
    hz, power = _spectrum(tracks, whitened, weights, length_s, 0.5 * lowest_hz, 1.8 * highest_hz)
    inside = (hz >= lowest_hz) & (hz <= highest_hz)
    peak = int(np.flatnonzero(inside)[np.argmax(power[inside])])
    away = np.abs(hz - hz[peak]) > 3.0 / length_s
    noise = float(np.median(power[away])) / float(np.log(2.0))
    free = max(1.0, 2.0 * (highest_hz - lowest_hz) * length_s)
    chance = float(-np.expm1(free * np.log1p(-np.exp(-power[peak] / max(noise, 1.0)))))
    return _refined(tracks, residual, weights, length_s, float(hz[peak]), chance, max(noise, 1.0))


def _spectrum(
    tracks: Tracks, whitened: Floats, weights: Weights, length_s: float, lowest_hz: float, highest_hz: float
) -> tuple[Floats, Floats]:
    middle = np.sqrt(LOWEST_HZ * HIGHEST_HZ)
    seen = np.sinc(middle * tracks.window_s)
    cells = int(length_s / _CELL_S) + 2
    cell = np.clip((tracks.time_s / _CELL_S + 0.5).astype(np.int64), 0, cells - 1)
    size = 1 << int(np.ceil(np.log2(4 * cells)))
    found = np.fft.rfft(np.bincount(cell, whitened * seen, cells), n=size)
    hz = np.fft.rfftfreq(size, _CELL_S)
    band = (hz >= lowest_hz) & (hz <= highest_hz)
    probes = np.linspace(lowest_hz, highest_hz, 8)
    information = np.empty(probes.size)
    for i, probe in enumerate(probes):
        wave = seen * np.exp(2j * np.pi * probe * tracks.time_s)
        parts = np.stack([wave.real, wave.imag], axis=1)
        information[i] = float((parts * weights.times(parts, tracks)).sum())
    power = np.abs(found[band]) ** 2 / np.interp(hz[band], probes, information)
    return np.asarray(hz[band], dtype=np.float64), np.asarray(power, dtype=np.float64)


def _refined(
    tracks: Tracks,
    residual: Floats,
    weights: Weights,
    length_s: float,
    hz: float,
    chance: float,
    noise: float,
) -> Wow:
    pair, hz_se = np.zeros(2), np.inf
    for _ in range(_ITERATIONS):
        columns = wow_columns(tracks, hz=hz, shrink=0.4, length_s=length_s)
        pair, _, _ = _solve(tracks, residual, weights, columns)
        turning = 2.0 * np.pi * (tracks.time_s - 0.5 * length_s)
        lean = turning * (columns[:, 1] * pair[0] - columns[:, 0] * pair[1])
        three, covariance, _ = _solve(tracks, residual, weights, np.column_stack([columns, lean]))
        step = float(np.clip(three[2], -0.5 / length_s, 0.5 / length_s))
        hz, hz_se = hz + step, float(np.sqrt(covariance[2, 2] * noise))
    seen = _seen(tracks, hz)
    fits = [_solve(tracks, residual, weights, _grown(tracks, seen, float(shrink), length_s)) for shrink in _SHRINKING]
    # the growth is rarely well determined: its posterior mean over discs of all usual sizes
    gains = np.array([gain for _, _, gain in fits]) / noise
    share = softmax(gains)
    shrink = float(share @ _SHRINKING)
    pair, covariance, _ = _solve(tracks, residual, weights, _grown(tracks, seen, shrink, length_s))
    return Wow(
        hz=hz,
        cents=float(np.hypot(*pair)),
        phase_rad=float(np.arctan2(pair[1], pair[0])),
        shrink=shrink,
        hz_se=hz_se,
        cents_se=float(np.sqrt(0.5 * np.trace(covariance) * noise)),
        chance=chance,
    )


def _solve(tracks: Tracks, residual: Floats, weights: Weights, columns: Floats) -> tuple[Floats, Floats, float]:
    whitened = weights.times(columns, tracks)
    information = columns.T @ whitened + 1e-12 * np.eye(columns.shape[1])
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    right = whitened.T @ residual
    solution = covariance @ right
    return solution, covariance, 0.5 * float(right @ solution)
