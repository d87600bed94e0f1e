"""Where a sudden change lies, from every frame of the solo's pitch line and every partial around it.

Each tone is a Gaussian process: its own intonation, a slow wander, vibrato (a damped oscillation of unknown rate
and depth) and errors of measurement, with the change's step added from the moment on. A tone that sounds through
the change shows the step itself; tones before and after say on which side they lie. In a rest every moment is
alike, and the width of the posterior says so.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp, ndtr

from pipeline.compiled import compiled, compiled_within
from pipeline.signal.tuning.spline import HELD_POINTS, POINT_BOUND, TONE_BOUND, Weights, bounded, tone_variance
from pipeline.signal.tuning.steady_tones import (
    ACCOMPANIMENT,
    LEANING_S,
    MOST_LEAN_CENTS,
    POINT_S,
    SOLO,
    Tracks,
    lean,
    plateaus,
)
from pipeline.units import A4_HZ, Floats, cents_of_ratio

# Seconds about a first guess, cents of what a note does by itself, shares of stray tones: common practice, no source.
_REACH_S, _MOMENT_S, _BEYOND_S = 6.0, 0.02, 1.5
_SHORTEST_S = 0.12  # as in steady_tones
_EDGE_S = 0.03
_SCOOP_CENTS, _SCOOPS_S = 50.0, (0.015, 0.05, 0.15)
_LONGEST_S = 4.0
_STEADY_REACH_CENTS = 65.0
_THINNED = 3
_SMEAR_S = 0.04
_WANDER_CENTS, _WANDER_S = 3.0, 0.12
_VIBRATO_HZ = (4.6, 5.3, 6.0, 6.7, 7.5)
_VIBRATO_CENTS = (6.0, 15.0, 38.0)
_VIBRATO_LASTS_S = 0.35
_ERROR_CENTS = 1.5
_STRAY = 4.0
_STRAY_SHARE = 0.12
_LEAST_SAID = -12.0
_PARTIAL_S = 1.0
# partials of one note err alike
_PARTIALS_TRUST = 0.5
_JUMP_STEPS = np.arange(-15.0, 15.5, 3.0)
_JUMP_DOUBT_CENTS = 6.0
_SURE_S, _ALIKE_SHARE = 0.5, 0.02
# standard deviation of a moment heard in pitch frames: their windows of 46 ms (Hann, 8 ms), three taken together
# (5 ms), and the ramp over which the step is laid (11 ms)
_RESOLUTION_S = 0.015


@dataclass(frozen=True)
class PitchFrames:
    """A pitch line without what is too unsure: times and cents above A4 = 440 Hz (NaN: none), each (frames,)."""

    time_s: Floats
    cents: Floats


def sure_frames(time_s: Floats, f0_hz: Floats, *, confidence: Floats, least_confidence: float) -> PitchFrames:
    """Frames of a pitch line; all arrays of shape (frames,), raw transfer time and pitch (NaN: no line)."""
    cents = np.full(f0_hz.size, np.nan)
    sure = np.isfinite(f0_hz) & (confidence >= least_confidence)
    cents[sure] = cents_of_ratio(f0_hz[sure] / A4_HZ)
    return PitchFrames(time_s, cents)


@dataclass(frozen=True)
class Place:
    """The likeliest moment to half a second, half the width of the middle 68 % of its posterior, its middle 95 %."""

    time_s: float
    se_s: float
    from_s: float
    to_s: float


@dataclass(frozen=True)
class Found:
    """A change found by tones, to be placed: its moment and size, and what the points leave over without it.

    ``frames_left`` (frames,) and ``points_left`` (n,) are the line and the points less the curve without the change.
    """

    time_s: float
    cents: float
    frames_left: Floats
    points_left: Floats
    weights: Weights


def place_by_frames(frames: PitchFrames, tracks: Tracks, found: Found) -> Place:
    """The moment within ``_REACH_S`` of the first estimate that frames and partials make likely, sizes integrated."""
    moments_s = found.time_s + np.arange(-_REACH_S, _REACH_S + 0.5 * _MOMENT_S, _MOMENT_S)
    sizes = found.cents + _JUMP_STEPS
    near = np.abs(frames.time_s - found.time_s) < _REACH_S + _BEYOND_S
    said = accompaniment_log_likelihood(tracks, found.points_left, found.weights, moments_s=moments_s, jump_cents=sizes)
    if near.sum() > 1:
        said = said + solo_log_likelihood(
            frames.time_s[near],
            found.frames_left[near],
            moments_s=moments_s,
            jump_cents=sizes,
            tone_sd=float(found.weights.tone_sd[SOLO]),
        )
    return place_of(moments_s, said - 0.5 * (_JUMP_STEPS / _JUMP_DOUBT_CENTS)[:, None] ** 2)


def after_share(time_s: Floats, window_s: Floats | np.float64, moment_s: Floats | float) -> Floats:
    """How much of a point's window lies after a moment, 0 to 1; the arguments are broadcast."""
    return np.asarray(np.clip((time_s - moment_s) / np.maximum(window_s, 1e-6) + 0.5, 0.0, 1.0))


def solo_log_likelihood(
    time_s: Floats, residual: Floats, *, moments_s: Floats, jump_cents: Floats, tone_sd: float
) -> Floats:
    """Log-likelihood of each moment and size of a change, shape (sizes, moments), up to one constant.

    Parameters
    ----------
    time_s, residual : shape (frames,), an even grid, and the line minus the curve without the change (NaN: none).
    moments_s, jump_cents : the moments (rising) and the sizes.
    tone_sd : standard deviation of a tone's intonation in cents.
    """
    hop_s = float(time_s[1] - time_s[0])
    total = np.zeros((jump_cents.size, moments_s.size))
    for low, high in _tones(residual, hop_s):
        at, values = _thin(time_s[low:high], residual[low:high])
        if at.size < 2:
            continue
        # moments outside a tone's own time all say the same: they are worked out once
        inside = np.clip(moments_s, at[0] - _SMEAR_S, at[-1] + _SMEAR_S)
        kept, back = np.unique(inside, return_inverse=True)
        said = _tone(at, values, kept, jump_cents, tone_sd)
        said = np.logaddexp(said - said.max(), _LEAST_SAID)
        total += said[:, back]
    return total


def _tones(residual: Floats, hop_s: float) -> list[tuple[int, int]]:
    # edges belong to the way from tone to tone; a short tone that leans is a piece of a slide
    bounds = plateaus(residual, hop_s, max(4, round(_SHORTEST_S / hop_s)), _STEADY_REACH_CENTS)
    edge, longest, leaning = (round(span / hop_s) for span in (_EDGE_S, _LONGEST_S, LEANING_S))
    found = []
    for start, end in bounds:
        low, high = start + edge, min(end - edge, start + longest)
        if high - low < 2 * _THINNED:
            continue
        if high - low >= leaning or abs(lean(residual[low:high])) < MOST_LEAN_CENTS:
            found.append((int(low), int(high)))
    return found


def _thin(time_s: Floats, cents: Floats) -> tuple[Floats, Floats]:
    count = time_s.size // _THINNED
    at = time_s[: count * _THINNED].reshape(count, _THINNED)
    values = cents[: count * _THINNED].reshape(count, _THINNED)
    good = np.isfinite(values)
    some = good.any(axis=1)
    size = np.maximum(good.sum(axis=1), 1)
    return (
        np.asarray((np.where(good, at, 0.0).sum(axis=1) / size)[some]),
        np.asarray((np.where(good, values, 0.0).sum(axis=1) / size)[some]),
    )


def _tone(at: Floats, values: Floats, moments_s: Floats, jump_cents: Floats, tone_sd: float) -> Floats:
    after = after_share(at[:, None], np.float64(_SMEAR_S), moments_s)
    values = values - 100.0 * np.round(np.median(values) / 100.0)
    length_s = float(at[-1] - at[0])
    variance = float(tone_variance(np.array([tone_sd]), np.array([True]), np.array([length_s / POINT_S]))[0])
    # tones begin and end on the way from and to others
    scoops = [_SCOOP_CENTS * np.exp(-edge / fades_s) for edge in (at - at[0], at[-1] - at) for fades_s in _SCOOPS_S]
    columns = np.column_stack([*scoops, values, np.ones(at.size), after])
    size = jump_cents[:, None]
    found = []
    for hz in _VIBRATO_HZ:
        for depth in _VIBRATO_CENTS:
            white, volume = _whitened(at, columns, hz, 0.5 * depth**2)
            ways, rest = white[:, : len(scoops)], white[:, len(scoops) :]
            inner = np.eye(len(scoops)) + ways.T @ ways
            along_ways = ways.T @ rest
            free = np.linalg.solve(inner, along_ways)
            volume += 0.5 * float(np.linalg.slogdet(inner)[1])
            with_y = rest[:, 0] @ rest - along_ways[:, 0] @ free
            with_one = rest[:, 1] @ rest - along_ways[:, 1] @ free
            steps = np.einsum("ij,ij->j", rest[:, 2:], rest[:, 2:])
            steps -= np.einsum("ij,ij->j", along_ways[:, 2:], free[:, 2:])
            own = float(with_one[1])
            square = float(with_y[0]) - 2.0 * size * with_y[2:] + size**2 * steps
            along = float(with_y[1]) - size * with_one[2:]
            # a tone's level is known modulo a semitone
            turn = 100.0 * np.round(along / own / 100.0)
            square = square - 2.0 * turn * along + turn**2 * own
            along = along - turn * own
            for share, spread in ((1.0 - _STRAY_SHARE, variance), (_STRAY_SHARE, _STRAY**2 * variance)):
                more = 1.0 + spread * own
                gain = 0.5 * spread * along**2 / more - 0.5 * np.log(more)
                found.append(np.log(share) - volume - 0.5 * square + gain)
    return np.asarray(logsumexp(found, axis=0))


@compiled()
def _whitened(at: Floats, columns: Floats, hz: float, vibrato: float) -> tuple[Floats, float]:
    # columns (n, p) times the inverse root of the covariance of wander, vibrato and error, by a Kalman filter over
    # (wander, vibrato, its quadrature); and half the log of the covariance's determinant
    n, p = columns.shape
    white = np.empty((n, p))
    states = np.zeros((3, p))
    wander, error = _WANDER_CENTS**2, _ERROR_CENTS**2
    a, b, c = wander, vibrato, vibrato
    ab, ac, bc = 0.0, 0.0, 0.0
    half_log = 0.0
    for i in range(n):
        if i:
            step = at[i] - at[i - 1]
            fade, ring = np.exp(-step / _WANDER_S), np.exp(-step / _VIBRATO_LASTS_S)
            x, y = ring * np.cos(2.0 * np.pi * hz * step), ring * np.sin(2.0 * np.pi * hz * step)
            a = fade * fade * a + wander * (1.0 - fade * fade)
            ab, ac = fade * (x * ab - y * ac), fade * (y * ab + x * ac)
            fresh = vibrato * (1.0 - ring * ring)
            b, c, bc = (
                x * x * b - 2.0 * x * y * bc + y * y * c + fresh,
                y * y * b + 2.0 * x * y * bc + x * x * c + fresh,
                x * y * (b - c) + (x * x - y * y) * bc,
            )
            for j in range(p):
                states[0, j] *= fade
                states[1, j], states[2, j] = x * states[1, j] - y * states[2, j], y * states[1, j] + x * states[2, j]
        spread = a + 2.0 * ab + b + error
        first, second, third = (a + ab) / spread, (ab + b) / spread, (ac + bc) / spread
        half_log += 0.5 * np.log(spread)
        for j in range(p):
            new = columns[i, j] - states[0, j] - states[1, j]
            white[i, j] = new / np.sqrt(spread)
            states[0, j] += first * new
            states[1, j] += second * new
            states[2, j] += third * new
        a -= first * first * spread
        ab -= first * second * spread
        ac -= first * third * spread
        b -= second * second * spread
        bc -= second * third * spread
        c -= third * third * spread
    return white, half_log


def accompaniment_log_likelihood(
    tracks: Tracks, left: Floats, weights: Weights, *, moments_s: Floats, jump_cents: Floats
) -> Floats:
    """The same from the points of partials, shape (sizes, moments); ``left`` (n,) is points less curve without change.

    The losses are bounded, so that a partial that belongs to something else has a bounded say.
    """
    reach = np.array([moments_s[0] - _PARTIAL_S, moments_s[-1] + _PARTIAL_S])
    near = (tracks.time_s > reach[0]) & (tracks.time_s < reach[1]) & (tracks.source[tracks.track] == ACCOMPANIMENT)
    total = np.zeros((jump_cents.size, moments_s.size))
    if not near.any():
        return total
    bounds = np.append(np.flatnonzero(np.diff(tracks.track[near], prepend=-1)), np.count_nonzero(near))
    weight = tracks.weight[near]
    mass = np.add.reduceat(weight, bounds[:-1])
    tone_sd, point_sd = float(weights.tone_sd[ACCOMPANIMENT]), float(weights.point_sd[ACCOMPANIMENT])
    anchor = tracks.anchor[tracks.track[near]][bounds[:-1]]
    scale = tone_variance(np.full(mass.size, tone_sd), anchor, mass) + point_sd**2 / mass
    held = np.minimum(1.0, mass / HELD_POINTS)
    time_s, window_s = tracks.time_s[near], tracks.window_s[near]
    _add_partials(total, bounds, time_s, window_s, weight, left[near], scale, held, point_sd, moments_s, jump_cents)
    return total


@compiled_within()
def _first_from(rising: Floats, least: float) -> int:
    """The first of rising values that is ``least`` or more; numpy's search takes half a second to compile."""
    low, high = 0, rising.size
    while low < high:
        middle = (low + high) // 2
        if rising[middle] < least:
            low = middle + 1
        else:
            high = middle
    return low


@compiled()
def _add_partials(
    total: Floats,
    bounds: npt.NDArray[np.int64],
    time_s: Floats,
    window_s: Floats,
    weight: Floats,
    left: Floats,
    scale: Floats,
    held: Floats,
    point_sd: float,
    moments_s: Floats,
    jump_cents: Floats,
) -> None:
    # moments before or after a whole partial all say the same: they are worked out once
    last = moments_s.size
    for k in range(bounds.size - 1):
        i, j = bounds[k], bounds[k + 1]
        begin_s, end_s = np.inf, -np.inf
        mass = 0.0
        for q in range(i, j):
            begin_s = min(begin_s, time_s[q] - 0.5 * window_s[q])
            end_s = max(end_s, time_s[q] + 0.5 * window_s[q])
            mass += weight[q]
        low, high = _first_from(moments_s, begin_s), _first_from(moments_s, end_s)
        moved = np.empty(j - i)
        for row in range(jump_cents.size):
            for at in range(max(low - 1, 0), min(high + 1, last)):
                moment = moments_s[at]
                mean = 0.0
                for q in range(i, j):
                    share = (time_s[q] - moment) / max(window_s[q], 1e-6) + 0.5
                    away = left[q] - jump_cents[row] * min(max(share, 0.0), 1.0)
                    moved[q - i] = away - 100.0 * np.floor(away / 100.0 + 0.5)
                    mean += weight[q] * moved[q - i] / mass
                cost = 0.0
                for q in range(i, j):
                    inner = (moved[q - i] - mean) ** 2 * weight[q] / point_sd**2
                    cost += bounded(inner, POINT_BOUND)
                tone = mean**2 / scale[k]
                said = -0.5 * _PARTIALS_TRUST * (cost + held[k] * bounded(tone, TONE_BOUND))
                first = 0 if at == low - 1 else at
                for m in range(first, last if at == high else at + 1):
                    total[row, m] += said


def place_of(moments_s: Floats, log_likelihood: Floats) -> Place:
    """The place that a log-likelihood (sizes, moments) on an even grid of moments leaves.

    It is the middle of what is likely within the second that most probably holds the change: a median of all that is
    likely would fall between two places that are alike. Spread and bounds are those of all that is likely.
    """
    share = np.exp(logsumexp(log_likelihood, axis=0) - logsumexp(log_likelihood))
    coarse_s = float(np.mean(np.diff(moments_s))) / np.sqrt(12.0)
    likely = ndtr((moments_s[:, None] - moments_s) / np.hypot(_RESOLUTION_S, coarse_s)) @ share
    before = np.interp(moments_s - _SURE_S, moments_s, likely, left=0.0)
    held = np.interp(moments_s + _SURE_S, moments_s, likely, right=1.0) - before
    best = held > held.max() - _ALIKE_SHARE
    middle = float(np.interp(np.mean(before[best] + 0.5 * held[best]), likely, moments_s))
    first, low, high, last = np.interp((0.025, 0.16, 0.84, 0.975), likely, moments_s)
    return Place(middle, float(0.5 * (high - low)), float(first), float(last))


def within_silence(place: Place, tracks: Tracks, *, length_s: float) -> Place:
    """The place, its bounds widened to the whole of a gap in which nothing steady sounds if it lies in one.

    Nothing is heard of a moment inside such a gap, so the bounds are the last tone before and the first after it.
    """
    first = np.flatnonzero(np.diff(tracks.track, prepend=-1))
    last = np.append(first[1:], tracks.track.size) - 1
    begin_s = tracks.time_s[first] - 0.5 * tracks.window_s[first]
    end_s = tracks.time_s[last] + 0.5 * tracks.window_s[last]
    if np.any((begin_s <= place.time_s) & (place.time_s <= end_s)):
        return place
    before_s = float(np.max(end_s[end_s < place.time_s], initial=0.0))
    after_s = float(np.min(begin_s[begin_s > place.time_s], initial=length_s))
    return replace(place, from_s=min(place.from_s, before_s), to_s=max(place.to_s, after_s))
