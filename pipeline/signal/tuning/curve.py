"""The tuning curve of a side, whole: smooth drift, sudden changes, and wow, with their evidence."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from pipeline.signal.tuning.coarse_path import coarse_path
from pipeline.signal.tuning.jump import jump_column, jump_errors, moments, place_jump, scan_jump
from pipeline.signal.tuning.jump_time import Found, PitchFrames, Place, place_by_frames, within_silence
from pipeline.signal.tuning.spline import Fit, fit_curve, robust_cost, spline_columns, spline_count
from pipeline.signal.tuning.standard_error import posterior
from pipeline.signal.tuning.steady_tones import ACCOMPANIMENT, SOLO, Tracks, only
from pipeline.signal.tuning.wow import Wow, find_wow, waves_at, wow_columns
from pipeline.units import Floats

WOW_CHANCE = 1e-4  # that noise alone makes such a line: rarer is wow (common practice, no source)
WOW_LEAST_CENTS = 0.5  # less is heard by nobody and moves nothing
# what a first look must say for a change to be placed, and what it must be once it is
JUMP_LOG_ODDS = 0.0
JUMP_LEAST_CENTS, JUMP_LEAST_SIGMAS = 8.0, 4.4
# How surely a change must show in the tones that do not sound through it: one below so many cents, and a larger one
# (trial, on smooth drifts by 40 cents and back: 3.2 errors at most, of changes by 8 to 17 cents).
JUMP_LARGE_CENTS, JUMP_BORNE_OUT_SIGMAS, JUMP_LARGE_BORNE_OUT_SIGMAS = 18.0, 3.5, 2.0
# Beside an accompaniment, whose notes are as many as they are alike (one string out of tune moves all of its notes), a
# small change must show more surely, and against a straight line through the tones near it, too: a curve that bends is
# otherwise taken for small steps (trial, on smooth drifts by 40 cents and back: 6 errors beside a line do not suffice,
# nor do 7.3 in all; of 25 changes by 10 cents 24 show by 8).
JUMP_SMALL_CENTS, JUMP_SMALL_SIGMAS, JUMP_NEAR_S, JUMP_NEAR_SIGMAS = 12.0, 7.6, 20.0, 6.5
# What is this far from what it must be, once it was placed within 6 s, is given up: placed closer it does not become so
# (trial, of 118 changes that held the least had .54 by then).
JUMP_HOPELESS = 0.4
MOST_JUMPS = 5
# of sudden changes of the least size that a side is said to show, so many are found; sizes are known modulo a semitone
FOUND_SHARE, LARGEST_CENTS, _LEAST_MOMENTS = 0.9, 50.0, 40
FLUTTER_LOWEST_HZ, FLUTTER_HIGHEST_HZ = 0.2, 4.0
EVIDENCE_TRUST = 0.8
# Where solo and accompaniment sound together, each may lie beside the pitch that the side is in: a piano is
# stretched or gone flat, a soloist plays sharp of it, and each disturbs the other's measurement.
SOLO_BIAS_SD, ACCOMPANIMENT_BIAS_SD = 1.1, 0.6
_NO_LIMIT = 1e4
_PLACINGS, _SETTLED_CENTS = 2, 1.5


@dataclass(frozen=True)
class Jump:
    """A sudden change: when, with its standard error and 95 % bounds (the whole of a silence if it lies in one), and
    by how many cents the sounding pitch rises, modulo 100."""

    time_s: float
    se_s: float
    bounds_s: tuple[float, float]
    cents: float


@dataclass(frozen=True)
class TuningCurve:
    """A fitted tuning curve, in cents sharper than equal temperament at A4 = 440 Hz, modulo 100.

    Attributes
    ----------
    coefficient, covariance : of the spline columns, then of the jumps in order of time.
    jumps : the sudden changes; ``jump_log_odds`` is for a first one against none, found or not.
    least_jump_cents : of one more sudden change of this size nine in ten would have been found; None: of no size.
    wow : the wow if it is significant, else None. ``wow_chance`` is stated in either case.
    flutter : a waver of another rate between 0.2 and 4 Hz that is significant; it is no part of the curve.
    fit : the last fit, for pictures and tests.
    """

    length_s: float
    coefficient: Floats
    covariance: Floats
    jumps: tuple[Jump, ...]
    jump_log_odds: float
    least_jump_cents: float | None
    wow: Wow | None
    wow_chance: float
    flutter: Wow | None
    fit: Fit

    def columns(self, time_s: Floats) -> Floats:
        """Columns of the curve without wow at ``time_s`` (n,)."""
        spline = spline_columns(time_s, length_s=self.length_s)
        return np.column_stack([spline, *((time_s >= jump.time_s).astype(np.float64) for jump in self.jumps)])

    def smooth_at(self, time_s: Floats) -> Floats:
        """The drift without sudden change and wow."""
        spline = spline_columns(time_s, length_s=self.length_s)
        return np.asarray(spline @ self.coefficient[: spline.shape[1]])

    def at(self, time_s: Floats) -> Floats:
        """The whole curve, wow included."""
        drift = np.asarray(self.columns(time_s) @ self.coefficient)
        return drift + self.wow.at(time_s, length_s=self.length_s) if self.wow else drift

    def mean(self) -> float:
        """Mean of the curve without wow over the side."""
        return float(self.columns(self._grid()).mean(axis=0) @ self.coefficient)

    def mean_se(self) -> float:
        """Standard error of that mean."""
        weights = self.columns(self._grid()).mean(axis=0)
        return float(np.sqrt(weights @ self.covariance @ weights))

    def _grid(self) -> Floats:
        return np.linspace(0.0, self.length_s, max(3, round(4.0 * self.length_s) + 1))

    def se_at(self, time_s: Floats) -> Floats:
        """Standard error of the curve."""
        columns = self.columns(time_s)
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", columns, self.covariance, columns)))


@dataclass(frozen=True)
class _Found:
    # sudden changes that hold, in order of time, the fit that knows of them, and the log odds of the first looked for
    places: tuple[Place, ...]
    fit: Fit
    log_odds: float


def tuning_curve(tracks: Tracks, *, length_s: float, frames: PitchFrames | None = None) -> TuningCurve:
    """Fit drift, sudden changes and wow to the tracks of a side of ``length_s``.

    With the solo's ``frames`` a sudden change is placed by them too, not only by the tracks.
    """
    size = spline_count(length_s)
    at, path, _ = coarse_path(tracks.time_s, tracks.cents, tracks.weight, length_s=length_s)
    start = np.interp(tracks.time_s, at, path)
    biased = _bias(tracks)
    fit = _fit(tracks, start, length_s, [biased], forgiving=3.0)
    wow = find_wow(tracks, fit.residual, fit.weights, length_s=length_s)
    waves = _waves(tracks, wow, length_s)
    fit = _fit(tracks, fit.curve, length_s, [biased, waves], forgiving=3.0)
    found = _jumps(tracks, frames, fit, length_s, [biased, waves], wow)
    steps = _steps(tracks, found.places)
    fit = _fit(tracks, found.fit.curve, length_s, [biased, steps])
    wow = find_wow(tracks, fit.residual, fit.weights, length_s=length_s)
    waves = _waves(tracks, wow, length_s)
    fit = _fit(tracks, fit.curve, length_s, [biased, steps, waves])
    flutter = find_wow(
        tracks,
        fit.residual,
        fit.weights,
        length_s=length_s,
        lowest_hz=FLUTTER_LOWEST_HZ,
        highest_hz=FLUTTER_HIGHEST_HZ,
    )
    keep = np.concatenate((np.arange(size), size + biased.shape[1] + np.arange(steps.shape[1])))
    if waves.shape[1]:
        left = fit.residual + waves @ fit.coefficient[-2:]
        wow = find_wow(tracks, left, fit.weights, length_s=length_s)
    mean, covariance = posterior(tracks, fit, size=size)
    coefficient = mean[keep]
    return TuningCurve(
        length_s=length_s,
        coefficient=coefficient,
        covariance=covariance[np.ix_(keep, keep)],
        jumps=tuple(
            Jump(place.time_s, place.se_s, (max(place.from_s, 0.0), min(place.to_s, length_s)), float(cents))
            for place, cents in zip(found.places, coefficient[size:], strict=True)
        ),
        jump_log_odds=found.log_odds,
        least_jump_cents=_least_found(tracks, fit, found.places, length_s),
        wow=wow if waves.shape[1] else None,
        wow_chance=wow.chance,
        flutter=flutter if _significant(flutter) else None,
        fit=fit,
    )


def _jumps(
    tracks: Tracks, frames: PitchFrames | None, fit: Fit, length_s: float, extras: list[Floats], wow: Wow
) -> _Found:
    # one after the other, each beside those found before
    size = spline_count(length_s)
    places: list[Place] = []
    odds = -np.inf
    while len(places) < MOST_JUMPS:
        taken_s = tuple(place.time_s for place in places)
        scan = scan_jump(tracks, fit, length_s=length_s, size=size, trust=EVIDENCE_TRUST, taken_s=taken_s)
        odds = odds if places else scan.log_odds
        known = [*extras, _steps(tracks, tuple(places))]
        changed = None
        if scan.log_odds > JUMP_LOG_ODDS:
            for times_s in (scan.times_s, scan.other_times_s):
                changed = changed or _changed(tracks, frames, fit, times_s, length_s, known, wow, taken_s)
        if changed is None:
            break
        places.append(within_silence(changed[0], tracks, length_s=length_s))
        fit = _fit(tracks, changed[1].curve, length_s, [*extras, _steps(tracks, tuple(places))], forgiving=3.0)
    return _Found(tuple(sorted(places, key=lambda place: place.time_s)), fit, odds)


def _steps(tracks: Tracks, places: tuple[Place, ...]) -> Floats:
    none = np.empty((tracks.time_s.size, 0))
    return np.hstack([none, *(jump_column(tracks, time_s=place.time_s) for place in places)])


def _changed(
    tracks: Tracks,
    frames: PitchFrames | None,
    fit: Fit,
    times_s: tuple[float, ...],
    length_s: float,
    extras: list[Floats],
    wow: Wow,
    taken_s: tuple[float, ...],
) -> tuple[Place, Fit] | None:
    # the cheapest of the candidates that holds when it is placed
    size = spline_count(length_s)
    placed = [_placed(tracks, fit, time_s, length_s, extras) for time_s in times_s]
    placed.sort(key=lambda option: _cost(tracks, option[1], fit, size))
    for place, stepped in placed:
        options = [(place, stepped)]
        if frames is not None and _clear(stepped):
            closer = _by_frames(tracks, frames, stepped, place, length_s, extras, wow, taken_s)
            options = [closer]
            # the line shows badly when a small change was: where it is lost there, the moment by the tones counts
            if abs(float(stepped.coefficient[-1])) < JUMP_SMALL_CENTS:
                options.append((_both(place, closer[0]), stepped))
        for found, fitted in options:
            held = _clear(fitted) and _borne_out(tracks, fitted, found, length_s, extras)
            if held and _stands_out(tracks, fitted, found):
                return found, fitted
    return None


def _both(place: Place, other: Place) -> Place:
    # the place, as unsure as where both lie
    from_s, to_s = min(place.from_s, other.from_s), max(place.to_s, other.to_s)
    return replace(
        place, se_s=float(np.hypot(max(place.se_s, other.se_s), place.time_s - other.time_s)), from_s=from_s, to_s=to_s
    )


def _clear(fit: Fit, share: float = 1.0) -> bool:
    # whether the change is as large, or a share as large, as it must come out
    size, sd = abs(float(fit.coefficient[-1])), float(np.sqrt(fit.covariance[-1, -1]))
    return size >= share * max(JUMP_LEAST_CENTS, JUMP_LEAST_SIGMAS * sd)


def _least_found(tracks: Tracks, fit: Fit, places: tuple[Place, ...], length_s: float) -> float | None:
    # the size of which FOUND_SHARE are found, whatever the moment: what they must come out as is known
    taken_s = tuple(place.time_s for place in places)
    at = moments(length_s, taken_s, length_s / _LEAST_MOMENTS)
    if not at.size:
        return None
    errors = jump_errors(tracks, fit, at, size=spline_count(length_s))
    sizes = np.arange(JUMP_LEAST_CENTS, LARGEST_CENTS + 0.25, 0.5)
    needed = np.tile(np.maximum(JUMP_LEAST_CENTS, JUMP_LEAST_SIGMAS * errors), (sizes.size, 1))
    if (tracks.source == ACCOMPANIMENT).any():
        columns = [jump_column(tracks, time_s=float(time_s))[:, 0] for time_s in at]
        near = np.array([_near(tracks, fit, float(t), column)[1] for t, column in zip(at, columns, strict=True)])
        small = sizes < JUMP_SMALL_CENTS
        needed[small] = np.maximum(needed[small], np.maximum(JUMP_SMALL_SIGMAS * errors, JUMP_NEAR_SIGMAS * near))
    found = ndtr((sizes[:, None] - needed) / errors).mean(axis=1) >= FOUND_SHARE
    return float(sizes[np.argmax(found)]) if found.any() else None


def _borne_out(tracks: Tracks, fit: Fit, place: Place, length_s: float, extras: list[Floats]) -> bool:
    # a held tone of the solo may be two notes of one pitch, each in its own tune, and among many tones there is one
    # whose vibrato looks like a step: the others must show the change by themselves
    begin_s = np.full(tracks.count, np.inf)
    end_s = np.full(tracks.count, -np.inf)
    np.minimum.at(begin_s, tracks.track, tracks.time_s - 0.5 * tracks.window_s)
    np.maximum.at(end_s, tracks.track, tracks.time_s + 0.5 * tracks.window_s)
    kept = (tracks.source != SOLO) | (begin_s > place.time_s) | (end_s < place.time_s)
    points = kept[tracks.track]
    rest = only(tracks, kept)
    columns = [*extras, jump_column(tracks, time_s=place.time_s)]
    without = _fit(rest, fit.curve[points], length_s, [column[points] for column in columns], rounds=3)
    size, sd = float(without.coefficient[-1]), float(np.sqrt(without.covariance[-1, -1]))
    whole = float(fit.coefficient[-1])
    least = JUMP_BORNE_OUT_SIGMAS if abs(whole) < JUMP_LARGE_CENTS else JUMP_LARGE_BORNE_OUT_SIGMAS
    return bool(size * np.sign(whole) >= least * sd)


def _stands_out(tracks: Tracks, fit: Fit, place: Place) -> bool:
    size = float(fit.coefficient[-1])
    if abs(size) >= JUMP_SMALL_CENTS or not (tracks.source == ACCOMPANIMENT).any():
        return True
    if abs(size) < JUMP_SMALL_SIGMAS * float(np.sqrt(fit.covariance[-1, -1])):
        return False
    found, sd = _near(tracks, fit, place.time_s, fit.columns[:, -1])
    return bool((found + size) * np.sign(size) >= JUMP_NEAR_SIGMAS * sd)


def _near(tracks: Tracks, fit: Fit, time_s: float, column: Floats) -> tuple[float, float]:
    # a change beside a straight line through the tones near it: what the fit leaves of its size, and its error
    middle_s = np.bincount(tracks.track, tracks.time_s, tracks.count) / np.bincount(
        tracks.track, minlength=tracks.count
    )
    points = np.flatnonzero((np.abs(middle_s - time_s) < JUMP_NEAR_S)[tracks.track])
    line = np.column_stack([np.ones(points.size), tracks.time_s[points] - time_s, column[points]])
    whitened = fit.weights.times(line, tracks, points)
    covariance = np.linalg.inv(line.T @ whitened + 1e-9 * np.eye(3))
    found = covariance @ (whitened.T @ fit.residual[points])
    return float(found[-1]), float(np.sqrt(covariance[-1, -1]))


def _placed(tracks: Tracks, fit: Fit, near_s: float, length_s: float, extras: list[Floats]) -> tuple[Place, Fit]:
    def stepped(place: Place) -> Fit:
        return _fit(tracks, fit.curve, length_s, [*extras, jump_column(tracks, time_s=place.time_s)], rounds=3)

    place = Place(near_s, 0.0, near_s, near_s)
    fit = stepped(place)
    for reach_s, step_s in ((6.0, 0.1), (3.0, 0.05), (0.6, 0.02)):
        place = place_jump(tracks, fit, near_s=place.time_s, reach_s=reach_s, step_s=step_s)
        fit = stepped(place)
        if not _clear(fit, JUMP_HOPELESS):
            break
    return place, fit


def _by_frames(
    tracks: Tracks,
    frames: PitchFrames,
    fit: Fit,
    place: Place,
    length_s: float,
    extras: list[Floats],
    wow: Wow,
    taken_s: tuple[float, ...],
) -> tuple[Place, Fit]:
    biased, waves, _ = extras
    columns = [spline_columns(frames.time_s, length_s=length_s)]
    if biased.shape[1]:
        columns.append(np.tile([1.0, 0.0], (frames.time_s.size, 1)))
    if waves.shape[1]:
        columns.append(waves_at(frames.time_s, hz=wow.hz, shrink=wow.shrink, length_s=length_s))
    columns += [(frames.time_s >= time_s).astype(np.float64)[:, None] for time_s in taken_s]
    at_frames = np.hstack(columns)
    for _ in range(_PLACINGS):
        cents = float(fit.coefficient[-1])
        found = Found(
            time_s=place.time_s,
            cents=cents,
            frames_left=frames.cents - at_frames @ fit.coefficient[:-1],
            points_left=fit.residual + cents * fit.columns[:, -1],
            weights=fit.weights,
        )
        place = place_by_frames(frames, tracks, found)
        fit = _fit(tracks, fit.curve, length_s, [*extras, jump_column(tracks, time_s=place.time_s)], rounds=3)
        if abs(float(fit.coefficient[-1]) - cents) < _SETTLED_CENTS:
            break
    return place, fit


def _cost(tracks: Tracks, fit: Fit, before: Fit, size: int) -> float:
    return robust_cost(tracks, fit, tone_sd=before.weights.tone_sd, point_sd=before.weights.point_sd, size=size)


def _bias(tracks: Tracks) -> Floats:
    both = np.unique(tracks.source).size > 1
    source = tracks.source[tracks.track]
    columns = np.stack([source == SOLO, source == ACCOMPANIMENT], axis=1).astype(np.float64)
    return columns if both else columns[:, :0]


def _waves(tracks: Tracks, wow: Wow, length_s: float) -> Floats:
    if not _significant(wow):
        return np.empty((tracks.time_s.size, 0))
    return wow_columns(tracks, hz=wow.hz, shrink=wow.shrink, length_s=length_s)


def _significant(wow: Wow) -> bool:
    return wow.chance <= WOW_CHANCE and wow.cents >= WOW_LEAST_CENTS


def _fit(
    tracks: Tracks,
    start: Floats,
    length_s: float,
    extras: list[Floats],
    *,
    forgiving: float = 1.0,
    rounds: int = 6,
) -> Fit:
    extra = np.hstack(extras)
    sd = np.full(extra.shape[1], _NO_LIMIT)
    if np.unique(tracks.source).size > 1:
        sd[:2] = SOLO_BIAS_SD, ACCOMPANIMENT_BIAS_SD
    return fit_curve(
        tracks, start=start, length_s=length_s, extra=extra, extra_sd=sd, forgiving=forgiving, rounds=rounds
    )
