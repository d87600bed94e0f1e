"""Sudden changes of speed, one at a time: where a jump of the tuning curve explains a side better than a smooth curve.

The marginal likelihood of "smooth curve plus a jump at s" against "smooth curve" is computed for every s at once
(the jump's column borders the normal equations), with the smoothing free in both: a curve that must bend sharply
to follow a jump is then no cheaper than the jump.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from pipeline.compiled import compiled
from pipeline.signal.tuning.coarse_path import wrap100
from pipeline.signal.tuning.jump_time import Place, after_share, place_of
from pipeline.signal.tuning.spline import (
    HELD_POINTS,
    POINT_BOUND,
    SMOOTHING,
    TONE_BOUND,
    Fit,
    bounded,
    restricted_likelihoods,
    roughness,
    tone_variance,
)
from pipeline.signal.tuning.steady_tones import Tracks
from pipeline.units import Floats

JUMP_SD_CENTS = 30.0  # sizes of sudden changes before listening (common practice, no source)
_EDGE_S = 6.0  # nearer to an end nothing tells a change from a bend
_GRID_S = 0.25  # a first look, placed finer later
_CANDIDATES = 3  # places looked at closely
_APART_S = 3.0  # changes nearer than this are one (common practice, no source)
_ALIKE = 0.5  # nats: moments as good as the best
_ABOUT_AS_LIKELY = 5.0  # nats: a rival place


@dataclass(frozen=True)
class Scan:
    """Candidates, and the log Bayes factor for a jump somewhere on this side against none.

    ``times_s`` are those about as likely as the likeliest, ``other_times_s`` are to be tried if none of them holds.
    """

    times_s: tuple[float, ...]
    other_times_s: tuple[float, ...]
    log_odds: float


def jump_column(tracks: Tracks, *, time_s: float) -> Floats:
    """0 before, 1 after; a point whose window holds the moment gets its share. Shape (n, 1)."""
    return after_share(tracks.time_s, tracks.window_s, time_s)[:, None]


def scan_jump(
    tracks: Tracks, fit: Fit, *, length_s: float, size: int, trust: float, taken_s: tuple[float, ...]
) -> Scan:
    """The likeliest moments of a jump, from a fit that does not know of it.

    Parameters
    ----------
    size : number of spline columns, the first of ``fit.columns``.
    trust : share of the nominal evidence that counts; tones that follow one another err alike.
    taken_s : moments of jumps that the fit knows of; none is looked for within 3 s of them.
    """
    at = moments(length_s, taken_s, _GRID_S)
    if at.size == 0:
        return Scan((), (), -np.inf)
    gains = trust * _log_gains(tracks, fit, at, size)
    top = float(gains.max())
    odds = float(logsumexp(gains) - np.log(gains.size))
    times: list[float] = []
    rivals = 0
    for _ in range(_CANDIDATES):
        if not np.isfinite(gains.max()):
            break
        rivals += bool(gains.max() > top - _ABOUT_AS_LIKELY)
        times.append(_middle_of_best(at, gains))
        gains = np.where(np.abs(at - times[-1]) < _APART_S, -np.inf, gains)
    return Scan(tuple(times[:rivals]), tuple(times[rivals:]), odds)


def jump_errors(tracks: Tracks, fit: Fit, at: Floats, *, size: int) -> Floats:
    """Standard errors, in cents, that the size of one more change would have at moments (m,); ``size`` as above."""
    cross, square = _jump_products(tracks, fit, fit.weights.times(fit.columns, tracks), at)
    system = fit.normal + fit.smoothing * roughness(size, total=fit.columns.shape[1])
    rest = square - np.einsum("ij,ij->j", cross, np.linalg.solve(system, cross))
    return np.asarray(1.0 / np.sqrt(np.maximum(rest, 1e-12)))


def moments(length_s: float, taken_s: tuple[float, ...], step_s: float) -> Floats:
    """Moments at which a change is looked for: none near the ends or within 3 s of those that are taken."""
    at = np.arange(_EDGE_S, length_s - _EDGE_S, step_s)
    for time_s in taken_s:
        at = at[np.abs(at - time_s) >= _APART_S]
    return at


def _middle_of_best(at: Floats, gains: Floats) -> float:
    # in a rest every moment fits alike: take the middle of the stretch around the best
    best = int(np.argmax(gains))
    low = high = best
    while low > 0 and gains[low - 1] > gains[best] - _ALIKE:
        low -= 1
    while high + 1 < at.size and gains[high + 1] > gains[best] - _ALIKE:
        high += 1
    return float(0.5 * (at[low] + at[high]))


def place_jump(tracks: Tracks, fit: Fit, *, near_s: float, reach_s: float, step_s: float) -> Place:
    """The moment near ``near_s`` at which the last column of ``fit``, the jump, costs least with its size held.

    The cost is the bounded one, so that a tone on the wrong side of a wrong first guess still has its say.
    """
    tone_sd, point_sd = fit.weights.tone_sd, fit.weights.point_sd
    near = np.abs(tracks.time_s - near_s) < reach_s + 4.0
    if not near.any():
        return Place(near_s, reach_s, near_s - reach_s, near_s + reach_s)
    time_s, weight, window_s = tracks.time_s[near], tracks.weight[near], tracks.window_s[near]
    _, track = np.unique(tracks.track[near], return_inverse=True)
    total = np.bincount(track, weight)
    source = tracks.source[tracks.track[near]]
    one = np.unique(track, return_index=True)[1]
    scale = tone_variance(tone_sd[source[one]], tracks.anchor[tracks.track[near]][one], total)
    scale = scale + point_sd[source[one]] ** 2 / total
    held = np.minimum(1.0, total / HELD_POINTS)
    size = float(fit.coefficient[-1])
    left = fit.residual[near] + size * fit.columns[near, -1]
    at = np.arange(near_s - reach_s, near_s + reach_s + 0.5 * step_s, step_s)
    costs = np.empty(at.size)
    for i, moment in enumerate(at):
        residual = wrap100(left - size * after_share(time_s, window_s, float(moment)))
        mean = np.bincount(track, weight * residual) / total
        inner = (residual - mean[track]) ** 2 * weight / point_sd[source] ** 2
        tone = mean**2 / scale
        costs[i] = 0.5 * float(np.sum(bounded(inner, POINT_BOUND)) + np.sum(held * bounded(tone, TONE_BOUND)))
    # the median of what the costs leave likely: the middle of a rest, the very moment inside a held tone
    return place_of(at, -costs[None, :])


def _log_gains(tracks: Tracks, fit: Fit, at: Floats, size: int) -> Floats:
    weights = fit.weights
    total = fit.columns.shape[1]
    penalty = roughness(size, total=total)
    whitened = weights.times(fit.columns, tracks)
    target = fit.curve + fit.residual
    normal = fit.normal
    right = whitened.T @ target
    cross, square = _jump_products(tracks, fit, whitened, at)
    own = _after(tracks, weights.times(target, tracks)[:, None], at)[:, 0]
    square = square + 1.0 / JUMP_SD_CENTS**2
    plain = restricted_likelihoods(normal, right, penalty, size)
    with_jump = np.empty((SMOOTHING.size, at.size))
    for i, smoothing in enumerate(SMOOTHING):
        system = normal + smoothing * penalty
        solved = np.linalg.solve(system, np.column_stack([right, cross]))
        left = own - cross.T @ solved[:, 0]
        rest = np.maximum(square - np.einsum("ij,ij->j", cross, solved[:, 1:]), 1e-12)
        with_jump[i] = plain[i] + 0.5 * left**2 / rest - 0.5 * np.log(rest) - np.log(JUMP_SD_CENTS)
    # smoothing integrated out on its logarithmic grid in both models
    return np.asarray(logsumexp(with_jump, axis=0) - logsumexp(plain))


def _jump_products(tracks: Tracks, fit: Fit, whitened: Floats, at: Floats) -> tuple[Floats, Floats]:
    # X' V^-1 h (p, m) and h' V^-1 h (m,) for the columns h of jumps at the moments; ``whitened`` is V^-1 X
    weights = fit.weights
    time_s = np.ascontiguousarray(tracks.time_s)
    square = _squares(time_s, tracks.track, weights.weight, weights.shrink, weights.ease, weights.since_s, at)
    return _after(tracks, whitened, at).T, square


def _after(tracks: Tracks, rows: Floats, at: Floats) -> Floats:
    # sums of rows (n, k) over the points from each moment on, (m, k)
    order = np.argsort(tracks.time_s, kind="stable")
    sums = np.vstack([np.zeros((1, rows.shape[1])), np.cumsum(rows[order], axis=0)])
    return np.asarray(sums[-1] - sums[np.searchsorted(tracks.time_s[order], at)])


@compiled()
def _squares(
    time_s: Floats,
    track: npt.NDArray[np.int64],
    weight: Floats,
    shrink: Floats,
    ease: Floats,
    since_s: Floats,
    at: Floats,
) -> Floats:
    # h' V^-1 h for the jump columns h: points after s, less what each tone's mean takes away
    whole = np.zeros(at.size + 1)
    partly = np.zeros(at.size)
    n = time_s.size
    i = 0
    while i < n:
        j = i
        while j < n and track[j] == track[i]:
            j += 1
        low = 0
        while low < at.size and at[low] <= time_s[i]:
            low += 1
        high = low
        while high < at.size and at[high] <= time_s[j - 1]:
            high += 1
        total = 0.0
        for q in range(i, j):
            total += weight[q]
        whole[0] += total - shrink[track[i]] * total * total
        whole[low] -= total - shrink[track[i]] * total * total
        for s in range(low, high):
            after = 0.0
            turn = 0.0
            for q in range(i, j):
                if time_s[q] >= at[s]:
                    after += weight[q]
                    turn += weight[q] * since_s[q]
            partly[s] += after - shrink[track[i]] * after * after - ease[track[i]] * turn * turn
        i = j
    running = 0.0
    for s in range(at.size):
        running += whole[s]
        partly[s] += running
    return partly
