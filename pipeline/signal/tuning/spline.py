"""A penalised spline through steady tones that are each somewhat out of tune.

A point of tone i deviates from the curve by the tone's own intonation (a random effect, heavy-tailed: just fifths
and thirds, leading notes, wrong notes) and by what is left of vibrato and tracking errors. Points of one tone
therefore say little about where the curve lies, but all they know about how it moves inside the tone, unless the
tone itself moves: partials of an accompaniment slide while others near them decay. The smoothing parameter is the
one of greatest restricted likelihood, so that a straight drift is fitted by a straight line; the posterior
covariance of the penalised fit (Nychka 1988) gives the standard error along the side.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline

from pipeline.compiled import compiled
from pipeline.signal.tuning.coarse_path import wrap100
from pipeline.signal.tuning.steady_tones import Tracks
from pipeline.units import Floats

KNOT_S = 8.0  # drifts of turntables are slower (common practice, no source)
SMOOTHING = np.logspace(-3, 6, 25)  # grid over which smoothness is summed or chosen: from next to free to straight
_OVERTONE_DOUBT = 36.0  # variance of an overtone's place over a fundamental's (common practice, no source)
_SHORT_TONE = 1.5  # points below which a tone is heard unsurely (common practice, no source)
HELD_POINTS = 2.0
"""Points from which a tone has its full say about a sudden change; ornaments are heard too unsurely."""
OWN_MOVEMENT = (0.0, 3.0)
"""Standard deviation, in cents a second, of a tone's own even movement, by source."""
POINT_BOUND, TONE_BOUND = 9.0, 16.0
"""Most that a point and a tone can cost, as squares of 3 and 4 standard deviations (common practice, no source)."""
_LEAST_POINT_SD, _LEAST_TONE_SD = 0.5, 1.0  # cents; what no tone is known better than (common practice, no source)


@compiled(inline="always")
def bounded(squared: Any, bound: float) -> Any:
    """The bounded loss of a squared residual: itself where small, ``bound`` at most (Geman and McClure 1987)."""
    return squared / (1.0 + squared / bound)


@dataclass(frozen=True)
class Weights:
    """Inverse covariance of the points.

    ``weight`` (n,) of each; ``shrink`` (tracks,) how far a tone's mean is taken out, ``ease`` (tracks,) how far its
    own even movement is, ``since_s`` (n,) being times from the tone's weighted middle. ``tone_sd`` and ``point_sd``
    (2,) are the standard deviations of intonation and of points, by source.
    """

    weight: Floats
    shrink: Floats
    ease: Floats
    since_s: Floats
    tone_sd: Floats
    point_sd: Floats

    def times(self, values: Floats, tracks: Tracks, points: npt.NDArray[np.int64] | None = None) -> Floats:
        """The inverse covariance times ``values`` of shape (n,) or (n, p); of some tones, with their ``points``."""
        flat = values.reshape(values.shape[0], -1)
        out, sums = np.empty(flat.shape), np.empty((2, flat.shape[1]))
        of_points = tracks.track, self.weight, self.since_s
        track, weight, since_s = of_points if points is None else (column[points] for column in of_points)
        _times(flat, track, weight, self.shrink, self.ease, since_s, sums, out)
        return out.reshape(values.shape)


@compiled()
def _times(values, track, weight, shrink, ease, since_s, sums, out):  # type: ignore[no-untyped-def]
    n, m = values.shape
    i = 0
    while i < n:
        for x in range(m):
            sums[0, x] = sums[1, x] = 0.0
        j = i
        while j < n and track[j] == track[i]:
            for x in range(m):
                out[j, x] = values[j, x] * weight[j]
                sums[0, x] += out[j, x]
                sums[1, x] += out[j, x] * since_s[j]
            j += 1
        for q in range(i, j):
            for x in range(m):
                out[q, x] -= weight[q] * (shrink[track[i]] * sums[0, x])
                out[q, x] -= weight[q] * since_s[q] * (ease[track[i]] * sums[1, x])
        i = j


@dataclass(frozen=True)
class Fit:
    """A fitted curve.

    Attributes
    ----------
    coefficient, covariance : shapes (p,) and (p, p): spline columns first, then the extra ones.
    normal : shape (p, p), normal matrix without the smoothing penalty.
    columns : shape (n, p), the regression's columns at the points.
    residual : shape (n,), points minus curve, wrapped to [-50, 50).
    weights : the points' inverse covariance at the last round.
    smoothing : the chosen smoothing parameter.
    """

    coefficient: Floats
    covariance: Floats
    normal: Floats
    columns: Floats
    residual: Floats
    weights: Weights
    smoothing: float

    @property
    def curve(self) -> Floats:
        """The fitted curve at the points, (n,)."""
        return np.asarray(self.columns @ self.coefficient)


def spline_count(length_s: float) -> int:
    """Number of spline columns for a side of ``length_s``."""
    return max(1, round(length_s / KNOT_S)) + 3


def spline_columns(time_s: Floats, *, length_s: float) -> Floats:
    """Cubic B-spline columns at ``time_s`` (n,), held beyond the ends; shape (n, ``spline_count``)."""
    inner = np.linspace(0.0, max(length_s, 1e-3), spline_count(length_s) - 2)
    knots = np.concatenate(([inner[0]] * 3, inner, [inner[-1]] * 3))
    inside = np.clip(time_s, inner[0], inner[-1])
    return np.asarray(BSpline.design_matrix(inside, knots, 3, extrapolate=False).toarray())


@lru_cache(maxsize=2)
def _columns_at(held: bytes, length_s: float) -> Floats:
    """``spline_columns`` at times held as bytes: one side's points are fitted a dozen times."""
    return spline_columns(np.frombuffer(held), length_s=length_s)


def roughness(size: int, *, total: int) -> Floats:
    """Penalty on second differences of the first ``size`` of ``total`` coefficients."""
    second = np.diff(np.eye(size), n=2, axis=0)
    penalty = np.zeros((total, total))
    penalty[:size, :size] = second.T @ second
    return penalty


def fit_curve(
    tracks: Tracks,
    *,
    start: Floats,
    length_s: float,
    extra: Floats,
    extra_sd: Floats,
    forgiving: float = 1.0,
    rounds: int = 6,
) -> Fit:
    """Fit the spline and extra columns to the points.

    Parameters
    ----------
    start : shape (n,), a first guess of the curve at the points, unwrapped.
    extra, extra_sd : shapes (n, k) and (k,), more columns and the prior standard deviations of their coefficients.
    rounds : of reweighting.
    forgiving : how many times farther off than usual a tone, or a point of it, may lie before it counts as an
        outlier: both sides of a sudden change lie far off a curve that knows nothing of it.
    """
    spline = _columns_at(tracks.time_s.tobytes(), length_s)
    columns = np.hstack([spline, extra])
    size, total = spline.shape[1], columns.shape[1]
    penalty = roughness(size, total=total)
    fixed = np.diag(np.concatenate((np.zeros(size), 1.0 / extra_sd**2)))
    curve, normal = start, fixed
    coefficient, covariance, smoothing = np.zeros(total), fixed, 1.0
    none = np.empty(0)
    weights = Weights(none, none, none, none, np.array([10.0, 10.0]), np.array([8.0, 8.0]))
    first, known = _first_column(tracks.time_s, length_s=length_s), _known(tracks)
    for turn in range(rounds):
        residual = wrap100(tracks.cents - curve)
        weights = _reweighted(tracks, known, residual, weights, forgiving)
        normal, right = _normal_equations(
            columns,
            first,
            size,
            tracks.track,
            weights.weight,
            weights.shrink,
            weights.ease,
            weights.since_s,
            curve + residual,
        )
        normal += fixed
        # the smoothing hardly moves once the weights have settled
        if turn in (0, rounds - 3, rounds - 1):
            smoothing = _best_smoothing(normal, right, penalty, size)
        covariance = np.asarray(np.linalg.inv(normal + smoothing * penalty + _ridge(normal)), dtype=np.float64)
        coefficient = covariance @ right
        curve = np.asarray(columns @ coefficient)
    return Fit(coefficient, covariance, normal, columns, wrap100(tracks.cents - curve), weights, smoothing)


def _first_column(time_s: Floats, *, length_s: float) -> npt.NDArray[np.int64]:
    # the first of the four spline columns that are not zero at each point
    pieces = spline_count(length_s) - 3
    return np.clip((time_s / max(length_s, 1e-3) * pieces).astype(np.int64), 0, pieces - 1)


@compiled()
def _normal_equations(
    columns: Floats,
    first: npt.NDArray[np.int64],
    size: int,
    track: npt.NDArray[np.int64],
    weight: Floats,
    shrink: Floats,
    ease: Floats,
    since_s: Floats,
    target: Floats,
) -> tuple[Floats, Floats]:
    # X' V^-1 X and X' V^-1 y; of the spline's columns only four are not zero at a point
    n, total = columns.shape
    normal = np.zeros((total, total))
    right = np.zeros(total)
    sums = np.zeros(total)
    turns = np.zeros(total)
    used, here = np.empty(total, np.uint64), np.empty(total, np.uint64)
    i = 0
    while i < n:
        j = i
        low, high = size, 0
        while j < n and track[j] == track[i]:
            low = min(low, max(first[j] - 1, 0))
            high = max(high, min(first[j] + 5, size))
            j += 1
        count = 0
        for a in range(low, high):
            used[count] = a
            count += 1
        for a in range(size, total):
            used[count] = a
            count += 1
        whole = 0.0
        turned = 0.0
        for q in range(i, j):
            whole += weight[q] * target[q]
            turned += weight[q] * since_s[q] * target[q]
            row = columns[q]
            some = 0
            for x in range(count):
                if row[used[x]] != 0.0:
                    here[some] = used[x]
                    some += 1
            for x in range(some):
                a = here[x]
                value = weight[q] * row[a]
                sums[a] += value
                turns[a] += value * since_s[q]
                right[a] += value * target[q]
                into = normal[a]
                for y in range(x + 1):
                    into[here[y]] += value * row[here[y]]
        taken = shrink[track[i]]
        eased = ease[track[i]]
        for x in range(count):
            right[used[x]] -= taken * sums[used[x]] * whole + eased * turns[used[x]] * turned
            for y in range(x + 1):
                normal[used[x], used[y]] -= (
                    taken * sums[used[x]] * sums[used[y]] + eased * turns[used[x]] * turns[used[y]]
                )
        for x in range(count):
            sums[used[x]] = 0.0
            turns[used[x]] = 0.0
        i = j
    for x in range(total):
        for y in range(x):
            normal[y, x] = normal[x, y]
    return normal, right


class _Known(NamedTuple):
    """What of the points and tones no reweighting moves.

    ``source`` (n,) of each point and ``total`` (tracks,), the weight of each tone; by source the points of tones of
    several, with the factors that make standard scores of them, and the anchors, with their weights.
    """

    source: npt.NDArray[np.int64]
    total: Floats
    several: tuple[npt.NDArray[np.int64], ...]
    scores: tuple[Floats, ...]
    anchors: tuple[npt.NDArray[np.int64], ...]
    says: tuple[Floats, ...]


def _known(tracks: Tracks) -> _Known:
    source = tracks.source[tracks.track]
    total = np.asarray(np.bincount(tracks.track, tracks.weight, tracks.count), dtype=np.float64)
    size = np.bincount(tracks.track, minlength=tracks.count)[tracks.track]
    several = tuple(np.flatnonzero((source == kind) & (size > 1)) for kind in (0, 1))
    scores = tuple(np.sqrt(tracks.weight[of] / (1.0 - 1.0 / size[of])) for of in several)
    anchors = tuple(np.flatnonzero((tracks.source == kind) & tracks.anchor) for kind in (0, 1))
    return _Known(source, total, several, scores, anchors, tuple(np.minimum(total[of], 4.0) for of in anchors))


def _reweighted(tracks: Tracks, known: _Known, residual: Floats, last: Weights, forgiving: float) -> Weights:
    source, total = known.source, known.total
    mean = np.bincount(tracks.track, tracks.weight * residual, tracks.count) / total
    inner = residual - mean[tracks.track]
    tone_sd, point_sd = last.tone_sd.copy(), last.point_sd.copy()
    for kind in (0, 1):
        several, anchors = known.several[kind], known.anchors[kind]
        if several.size > 20:
            # 1.4826 median absolute deviations make a standard deviation (normal distribution).
            z = np.abs(inner[several]) * known.scores[kind]
            point_sd[kind] = max(_LEAST_POINT_SD, 1.4826 * float(np.median(z)))
        if anchors.size > 4:
            spread = 1.4826 * _weighted_median(np.abs(mean[anchors]), known.says[kind])
            noise = point_sd[kind] ** 2 / float(np.median(total[anchors]))
            tone_sd[kind] = np.sqrt(max(spread**2 - noise, _LEAST_TONE_SD**2))
    point_var = point_sd[source] ** 2
    stray = inner * np.sqrt(tracks.weight / point_var) / (3.0 * forgiving)
    weight = tracks.weight / point_var / (1.0 + stray**2) ** 2
    # an outlying tone keeps its say about movement inside it, and loses its say about where the curve lies
    tone_var = tone_variance(tone_sd[tracks.source], tracks.anchor, total)
    scale = np.sqrt(tone_sd[tracks.source] ** 2 + point_sd[tracks.source] ** 2 / total)
    tone_var = tone_var * (1.0 + (mean / (2.0 * forgiving * scale)) ** 2) ** 2
    strength = np.bincount(tracks.track, weight, tracks.count)
    middle_s = np.bincount(tracks.track, weight * tracks.time_s, tracks.count) / strength
    since_s = tracks.time_s - middle_s[tracks.track]
    turn = np.bincount(tracks.track, weight * since_s**2, tracks.count)
    own = np.array(OWN_MOVEMENT)[tracks.source] ** 2
    ease = own / (1.0 + own * turn)
    return Weights(weight, tone_var / (1.0 + tone_var * strength), ease, since_s, tone_sd, point_sd)


def robust_cost(tracks: Tracks, fit: Fit, *, tone_sd: Floats, point_sd: Floats, size: int) -> float:
    """What the fit's residuals cost under the bounded losses that its weights belong to, plus its roughness.

    ``tone_sd`` and ``point_sd`` (2,) are held, so that fits of the same points can be compared.
    """
    source = tracks.source[tracks.track]
    total = np.bincount(tracks.track, tracks.weight, tracks.count)
    mean = np.bincount(tracks.track, tracks.weight * fit.residual, tracks.count) / total
    inner = (fit.residual - mean[tracks.track]) ** 2 * tracks.weight / point_sd[source] ** 2
    scale = tone_variance(tone_sd[tracks.source], tracks.anchor, total)
    tone = mean**2 / (scale + point_sd[tracks.source] ** 2 / total)
    bend = fit.smoothing * float(np.sum(np.diff(fit.coefficient[:size], n=2) ** 2))
    held = np.minimum(1.0, total / HELD_POINTS)
    return 0.5 * float(np.sum(bounded(inner, POINT_BOUND)) + np.sum(held * bounded(tone, TONE_BOUND)) + bend)


def tone_variance(tone_sd: Floats, anchor: npt.NDArray[np.bool_], total: npt.NDArray[Any]) -> Floats:
    """Variance of tones' own deviations: wider for overtones and for tones too short to be heard in tune."""
    return np.asarray(tone_sd**2 * np.where(anchor, 1.0, _OVERTONE_DOUBT) * (1.0 + _SHORT_TONE / total))


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(reached, 0.5 * reached[-1])])


def _ridge(normal: Floats) -> Floats:
    # keeps knots without points solvable; far too small to move any other
    return np.asarray(1e-10 * float(np.trace(normal)) * np.eye(normal.shape[0]))


def restricted_likelihoods(normal: Floats, right: Floats, penalty: Floats, size: int) -> Floats:
    """Restricted log-likelihood at each of ``SMOOTHING``, up to one constant."""
    systems = normal + _ridge(normal) + SMOOTHING[:, None, None] * penalty
    factors = np.linalg.cholesky(systems)
    half = np.linalg.solve(factors, right[:, None])[..., 0]
    volume = np.log(np.diagonal(factors, axis1=1, axis2=2)).sum(axis=1)
    return np.asarray(0.5 * (half**2).sum(axis=1) - volume + 0.5 * (size - 2) * np.log(SMOOTHING))


def _best_smoothing(normal: Floats, right: Floats, penalty: Floats, size: int) -> float:
    return float(SMOOTHING[int(np.argmax(restricted_likelihoods(normal, right, penalty, size)))])
