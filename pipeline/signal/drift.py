"""The tuning curve of a side: a penalised spline through steady tones that are each somewhat out of tune.

A point of tone i deviates from the curve by the tone's own intonation n_i (a random effect, heavy-tailed: fifths
and thirds of the accompaniment, leading notes, wrong notes) and by what is left of vibrato and tracking errors.
Points of one tone therefore count little for where the curve lies, but fully for how it moves inside the tone.
The smoothing parameter is the one of greatest restricted likelihood, so that a straight drift is fitted by a
straight line; the posterior covariance of the penalised fit (Nychka 1988) gives the standard error along the side.
"""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline

from pipeline.signal.circular import wrap100
from pipeline.signal.tuning import Tracks
from pipeline.units import Floats

KNOT_S = 8.0
_ROUNDS = 8
_SMOOTHING = np.logspace(-2, 7, 28)


@dataclass(frozen=True)
class Design:
    """Columns of the regression: penalised spline first, then free columns."""

    columns: Floats
    penalty: Floats


@dataclass(frozen=True)
class Fit:
    """A fitted curve.

    Attributes
    ----------
    coefficient : shape (p,).
    covariance : shape (p, p), posterior covariance in cents squared.
    residual : shape (n,), points minus curve, wrapped to [-50, 50).
    tone_sd, point_sd : standard deviation of intonation by source (2,), and of single points by source (2,).
    log_likelihood : restricted log-likelihood at the chosen smoothing, up to a constant.
    """

    coefficient: Floats
    covariance: Floats
    residual: Floats
    tone_sd: Floats
    point_sd: Floats
    log_likelihood: float


def spline_knots(length_s: float) -> Floats:
    """Knots of the cubic spline for a side of ``length_s``, with the ends repeated."""
    pieces = max(1, round(length_s / KNOT_S))
    inner = np.linspace(0.0, max(length_s, 1e-3), pieces + 1)
    return np.concatenate(([inner[0]] * 3, inner, [inner[-1]] * 3))


def spline_columns(time_s: Floats, *, length_s: float) -> Floats:
    """Cubic B-spline columns at ``time_s`` (n,), held at the ends; shape (n, pieces + 3)."""
    knots = spline_knots(length_s)
    inside = np.clip(time_s, 0.0, length_s)
    return np.asarray(BSpline.design_matrix(inside, knots, 3, extrapolate=False).toarray())


def _penalty(size: int) -> Floats:
    second = np.diff(np.eye(size), n=2, axis=0)
    return np.asarray(second.T @ second)


def whiten(values: Floats, tracks: Tracks, weight: Floats, shrink: Floats) -> Floats:
    """Inverse covariance of the points times ``values`` (n, or n x p): each tone's own mean is partly removed."""
    flat = values.reshape(values.shape[0], -1)
    weighted = flat * weight[:, None]
    sums = np.zeros((tracks.count, flat.shape[1]))
    np.add.at(sums, tracks.track, weighted)
    out = weighted - weight[:, None] * (shrink[:, None] * sums)[tracks.track]
    return np.asarray(out.reshape(values.shape))


def fit_curve(tracks: Tracks, *, start: Floats, length_s: float, free: Floats | None = None) -> Fit:
    """Fit spline and free columns to the points.

    Parameters
    ----------
    start : shape (n,), a first guess of the curve at the points, unwrapped.
    free : shape (n, k), columns fitted without penalty (steps, wow); None: no such column.
    """
    spline = spline_columns(tracks.time_s, length_s=length_s)
    free = np.empty((spline.shape[0], 0)) if free is None else free
    x = np.hstack([spline, free])
    penalty = np.zeros((x.shape[1], x.shape[1]))
    penalty[: spline.shape[1], : spline.shape[1]] = _penalty(spline.shape[1])
    curve = start.copy()
    tone_sd = np.array([10.0, 10.0])
    point_sd = np.array([8.0, 8.0])
    for _ in range(_ROUNDS):
        residual = wrap100(tracks.cents - curve)
        weight, shrink, tone_sd, point_sd = _weights(tracks, residual, tone_sd, point_sd)
        whitened = whiten(x, tracks, weight, shrink)
        normal = x.T @ whitened
        right = whitened.T @ (curve + residual)
        solution, covariance, gain = _smooth(normal, right, penalty, spline.shape[1])
        curve = x @ solution
    residual = wrap100(tracks.cents - curve)
    return Fit(solution, covariance, residual, tone_sd, point_sd, gain)


def _weights(
    tracks: Tracks, residual: Floats, tone_sd: Floats, point_sd: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    source = tracks.source[tracks.track]
    total = np.bincount(tracks.track, tracks.weight, tracks.count)
    mean = np.bincount(tracks.track, tracks.weight * residual, tracks.count) / np.maximum(total, 1e-12)
    inner = residual - mean[tracks.track]
    new_tone, new_point = tone_sd.copy(), point_sd.copy()
    size = np.bincount(tracks.track, minlength=tracks.count)
    for kind in (0, 1):
        mine = source == kind
        several = mine & (size[tracks.track] > 1)
        if several.sum() > 20:
            freedom = 1.0 - 1.0 / size[tracks.track][several]
            z = np.abs(inner[several]) * np.sqrt(tracks.weight[several] / freedom)
            new_point[kind] = max(0.5, 1.4826 * float(np.median(z)))
        tones = tracks.source == kind
        if tones.sum() > 4:
            spread = 1.4826 * _weighted_median(np.abs(mean[tones]), np.minimum(total[tones], 4.0))
            noise = new_point[kind] ** 2 / float(np.median(total[tones]))
            new_tone[kind] = np.sqrt(max(spread**2 - noise, 1.0))
    point_var = new_point[source] ** 2
    inner_z = inner * np.sqrt(tracks.weight / point_var)
    weight = tracks.weight / point_var / (1.0 + (inner_z / 3.0) ** 2) ** 2
    tone_var = new_tone[tracks.source] ** 2
    scale = np.sqrt(tone_var + new_point[tracks.source] ** 2 / np.maximum(total, 1e-12))
    # an outlying tone keeps its say about movement inside it, and loses its say about where the curve lies
    tone_var = tone_var * (1.0 + (mean / (2.0 * scale)) ** 2) ** 2
    strength = np.bincount(tracks.track, weight, tracks.count)
    shrink = tone_var / (1.0 + tone_var * strength)
    return weight, shrink, new_tone, new_point


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(reached, 0.5 * reached[-1])])


def _smooth(normal: Floats, right: Floats, penalty: Floats, spline: int) -> tuple[Floats, Floats, float]:
    # restricted likelihood over a grid of smoothing parameters; the tiny ridge only keeps empty knots solvable
    best: tuple[float, Floats, Floats] | None = None
    ridge = 1e-9 * np.eye(normal.shape[0]) * float(np.trace(normal) + 1e-9)
    for smoothing in _SMOOTHING:
        system = normal + smoothing * penalty + ridge
        factor = np.linalg.cholesky(system)
        half = np.linalg.solve(factor, right)
        gain = 0.5 * float(half @ half) - float(np.log(np.diag(factor)).sum())
        gain += 0.5 * (spline - 2) * float(np.log(smoothing))
        if best is None or gain > best[0]:
            inverse = np.linalg.inv(factor)
            best = (gain, np.linalg.solve(factor.T, half), inverse.T @ inverse)
    if best is None:
        raise ValueError("no smoothing parameter to choose from")
    return best[1], best[2], best[0]
