"""Fits one transition between two notes by every way of getting there, and tells how well each explains it.

Between a held pitch ``a`` and a held pitch ``b`` the line may jump; glide in one stroke (same finger); glide
away from ``a`` and then step (departing finger); step and then glide into ``b`` (arriving finger); or glide with
a small step inside (two fingers). A short note in between, reached and left by steps, is tried as well, so that a
grace note is not read as a glide. Every pair of ends on the frame grid is tried: the fit cannot get stuck.

Residuals are in units of ``SIGMA`` semitones and cut off at three of them, so that single wrong frames count
little. The glide has an S shape, half a cosine (close to the logistic curve that Yang, Chew and Rajab 2015 found
to fit portamento best, but with ends), or is straight.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within
from pipeline.kinds import Kind
from pipeline.units import Floats

SIGMA = 0.20  # semitones that a frame may lie off a glide, vibrato taken out (common practice, no source)
CAP = 9.0  # three sigma, squared: single wrong frames count little
LEAST_STEP = 0.55
"""Semitones: the least step beside a glide that is named one."""
LEAST_PART = 0.45
"""Semitones: the least glide beside a step."""

# The models, as indices.
MODELS = 7
JUMP, SAME, DEPARTING, ARRIVING, TWO, GRACE, ENTERING = range(MODELS)
MODEL_OF_KIND = {
    Kind.SAME_FINGER: SAME,
    Kind.DEPARTING_FINGER: DEPARTING,
    Kind.ARRIVING_FINGER: ARRIVING,
    Kind.TWO_FINGER: TWO,
    Kind.INTO_NOTE: ENTERING,
}
# What the compiled fits say of each model, by column; see ``Fit``.
COLUMNS = 6
START, END, STEP_FROM, STEP_TO, STRAIGHT, STEP_AT = range(COLUMNS)
SLIDE_MODELS = (SAME, DEPARTING, ARRIVING, TWO, ENTERING)
MODEL_COST = np.array([0.0, 0.0, 2.0, 2.0, 6.0, 4.0, 2.0])
"""What each model must pay for its extra freedom, in units of squared sigma."""


@dataclass(frozen=True)
class Fit:
    """Best fit of every model to one transition; costs in units of squared sigma.

    ``start`` and ``end`` are frames (fractional) of the window, ``step_from`` and ``step_to`` the pitches around
    the break, ``straight`` whether the straight shape won; arrays are indexed by model (JUMP ... ENTERING),
    infinite and NaN where a model was not tried or cannot be.
    """

    cost: Floats
    start: Floats
    end: Floats
    step_from: Floats
    step_to: Floats
    step_at: Floats
    straight: npt.NDArray[np.bool_]

    @property
    def charged(self) -> Floats:
        """Costs with what each model must pay for its freedom."""
        return np.asarray(self.cost + MODEL_COST)


# Half a cosine at every whole number of frames of every whole length: most of the fits are on the frame grid.
_LONGEST = 256
_at = np.arange(_LONGEST)
_WHOLE = 0.5 - 0.5 * np.cos(np.pi * np.minimum(_at[None, :] / np.maximum(_at[:, None], 1), 1.0))


@compiled(inline="always")
def _on_grid(k: int, length: int, straight: bool) -> float:
    return k / length if straight else _WHOLE[length, k]


@compiled(inline="always")
def _shape(x: float, straight: bool) -> float:
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    if straight:
        return x
    return 0.5 - 0.5 * float(np.cos(np.pi * x))


@compiled(inline="always")
def _off(residual: float, weight: float) -> float:
    cost = residual * residual / (SIGMA * SIGMA)
    return weight * min(cost, CAP)


@compiled_within()
def _glide_costs(y, w, a, b, t0, t1, straight, before, after, best):  # type: ignore[no-untyped-def]
    """Costs of same, departing and arriving for one pair of ends, and their free pitches."""
    first = int(np.ceil(t0))
    last = int(np.floor(t1))
    outside = before[first] + after[last + 1]
    if outside >= max(best[SAME], best[DEPARTING], best[ARRIVING]):
        return np.inf, np.inf, np.inf, 0.0, 0.0
    su = 0.0
    sv = 0.0
    yu = 0.0
    yv = 0.0
    same = outside
    span = t1 - t0
    length = int(span)
    whole = t0 == first and t1 == last and length < _LONGEST
    for i in range(first, last + 1):
        u = _on_grid(i - first, length, straight) if whole else _shape((i - t0) / span, straight)
        v = 1.0 - u
        same += _off(y[i] - a - (b - a) * u, w[i])
        su += w[i] * u * u
        sv += w[i] * v * v
        yu += w[i] * (y[i] - a) * u
        yv += w[i] * (y[i] - b) * v
    leave = yu / su if su > 1e-9 else 0.0
    enter = yv / sv if sv > 1e-9 else 0.0
    departing = np.inf
    arriving = np.inf
    can_leave = abs(leave) >= LEAST_PART and abs(b - a - leave) >= LEAST_STEP
    can_enter = abs(enter) >= LEAST_PART and abs(b + enter - a) >= LEAST_STEP
    if can_leave:
        departing = outside
    if can_enter:
        arriving = outside
    if departing < best[DEPARTING] or arriving < best[ARRIVING]:
        for i in range(first, last + 1):
            u = _on_grid(i - first, length, straight) if whole else _shape((i - t0) / span, straight)
            if can_leave:
                departing += _off(y[i] - a - leave * u, w[i])
            if can_enter:
                arriving += _off(y[i] - b - enter * (1.0 - u), w[i])
    return same, departing, arriving, leave, enter


@compiled_within()
def _try(y, w, a, b, t0, t1, straight, before, after, best, found):  # type: ignore[no-untyped-def]
    if t1 - t0 < 1.0:
        return
    same, departing, arriving, leave, enter = _glide_costs(y, w, a, b, t0, t1, straight, before, after, best)
    if same < best[SAME]:
        best[SAME] = same
        found[SAME, START] = t0
        found[SAME, END] = t1
        found[SAME, STRAIGHT] = straight
    if departing < best[DEPARTING]:
        best[DEPARTING] = departing
        found[DEPARTING, START] = t0
        found[DEPARTING, END] = t1
        found[DEPARTING, STEP_FROM] = a + leave
        found[DEPARTING, STEP_TO] = b
        found[DEPARTING, STRAIGHT] = straight
        found[DEPARTING, STEP_AT] = t1
    if arriving < best[ARRIVING]:
        best[ARRIVING] = arriving
        found[ARRIVING, START] = t0
        found[ARRIVING, END] = t1
        found[ARRIVING, STEP_FROM] = a
        found[ARRIVING, STEP_TO] = b + enter
        found[ARRIVING, STRAIGHT] = straight
        found[ARRIVING, STEP_AT] = t0


@compiled_within()
def _try_two(y, w, a, b, t0, t1, tj, straight, before, after, best, found):  # type: ignore[no-untyped-def]
    """A glide of the common shape with a step at ``tj``: the step's size by least squares."""
    first = int(np.ceil(t0))
    last = int(np.floor(t1))
    span = t1 - t0
    if before[first] + after[last + 1] >= best[TWO]:
        return
    top = 0.0
    bottom = 0.0
    for i in range(first, last + 1):
        u = _shape((i - t0) / span, straight)
        h = (1.0 if i > tj else 0.0) - u
        top += w[i] * h * (y[i] - a - (b - a) * u)
        bottom += w[i] * h * h
    if bottom < 1e-9:
        return
    step = top / bottom
    if step * (b - a) <= 0.0 or abs(step) < LEAST_STEP or abs(b - a - step) < 2 * LEAST_PART:
        return
    uj = _shape((tj + 0.5 - t0) / span, straight)
    # Each part of a broken glide moves by 0.3 semitones at least (common practice, no source).
    if abs(b - a - step) * min(uj, 1.0 - uj) < 0.3:
        return
    cost = before[first] + after[last + 1]
    for i in range(first, last + 1):
        u = _shape((i - t0) / span, straight)
        cost += _off(y[i] - a - (b - a - step) * u - (step if i > tj else 0.0), w[i])
    if cost < best[TWO]:
        best[TWO] = cost
        found[TWO, START] = t0
        found[TWO, END] = t1
        found[TWO, STEP_FROM] = a + (b - a - step) * uj
        found[TWO, STEP_TO] = a + (b - a - step) * uj + step
        found[TWO, STRAIGHT] = straight
        found[TWO, STEP_AT] = tj + 0.5


@compiled()
def _fit(y, w, a, b, swing_a, swing_b, longest):  # type: ignore[no-untyped-def]
    n = y.size
    before = np.zeros(n + 1)
    after = np.zeros(n + 2)
    for i in range(n):
        before[i + 1] = before[i] + _off(y[i] - a, w[i])
    for i in range(n - 1, -1, -1):
        after[i] = after[i + 1] + _off(y[i] - b, w[i])
    best = np.full(MODELS, np.inf)
    found = np.full((MODELS, COLUMNS), np.nan)
    for k in range(n + 1):
        if before[k] + after[k] < best[JUMP]:
            best[JUMP] = before[k] + after[k]
            found[JUMP, START] = k - 0.5
            found[JUMP, END] = k - 0.5
    # The same with the vibrato of either note going on up to the step.
    shaken = 0.0
    for i in range(n):
        shaken += _off(y[i] - b - swing_b[i], w[i])
    best[JUMP] = min(best[JUMP], shaken)
    for i in range(n):
        shaken += _off(y[i] - a - swing_a[i], w[i]) - _off(y[i] - b - swing_b[i], w[i])
        best[JUMP] = min(best[JUMP], shaken)
    # A short note between two steps: its level is the mean of its frames.
    for i in range(1, n - 3):
        total = 0.0
        weight = 0.0
        for j in range(i, min(i + 24, n - 1)):
            total += w[j] * y[j]
            weight += w[j]
            if j - i < 2 or weight < 1e-9:
                continue
            level = total / weight
            if abs(level - a) < LEAST_STEP or abs(level - b) < LEAST_STEP:
                continue
            cost = before[i] + after[j + 1]
            for k in range(i, j + 1):
                cost += _off(y[k] - level, w[k])
                if cost >= best[GRACE]:
                    break
            if cost < best[GRACE]:
                best[GRACE] = cost
                found[GRACE, START] = i - 0.5
                found[GRACE, END] = j + 0.5
                found[GRACE, STEP_FROM] = level
                found[GRACE, STEP_TO] = level
    # For speed: long windows are tried on a coarser grid, and the best betters by halves of a frame.
    stride = 1 if n <= 40 else (2 if n <= 90 else 3)
    for shape in range(2):
        straight = shape == 1
        for i in range(0, n - 1, stride):
            for j in range(i + 1, min(n, i + longest + 1), stride):
                _try(y, w, a, b, float(i), float(j), straight, before, after, best, found)
    for model in (SAME, DEPARTING, ARRIVING):
        if not np.isfinite(best[model]):
            continue
        straight = found[model, STRAIGHT] > 0.5
        for step in (1.0, 0.5, 0.25):
            centre0 = found[model, START]
            centre1 = found[model, END]
            for p in range(-2, 3):
                for q in range(-2, 3):
                    t0 = centre0 + p * step
                    t1 = centre1 + q * step
                    if t0 >= 0.0 and t1 <= n - 1.0:
                        _try(y, w, a, b, t0, t1, straight, before, after, best, found)
    for shape in range(2):
        straight = shape == 1
        centre0 = found[SAME, START]
        centre1 = found[SAME, END]
        for p in range(-6, 7, 2):
            for q in range(-6, 7, 2):
                t0 = centre0 + p
                t1 = centre1 + q
                if t0 < 0.0 or t1 > n - 1.0 or t1 - t0 < 5.0:
                    continue
                for k in range(int(np.ceil(t0)) + 1, int(np.floor(t1)) - 1):
                    _try_two(y, w, a, b, t0, t1, k, straight, before, after, best, found)
    return best, found


@compiled()
def _enter(y, b):  # type: ignore[no-untyped-def]
    """A glide of free first pitch; the first few frames may be the noise of the attack, at full cost."""
    n = y.size
    best = np.full(MODELS, np.inf)
    found = np.full((MODELS, COLUMNS), np.nan)
    best[JUMP] = 0.0
    for i in range(n):
        best[JUMP] += _off(y[i] - b, 1.0)
    found[JUMP, START] = -0.5
    found[JUMP, END] = -0.5
    for shape in range(2):
        straight = shape == 1
        for i in range(min(6, n)):
            for j in range(2 * i + 6, 2 * n - 1):
                t0 = float(i)
                t1 = 0.5 * j
                sv = 0.0
                yv = 0.0
                for k in range(i, min(int(t1), n - 1) + 1):
                    v = 1.0 - _shape((k - t0) / (t1 - t0), straight)
                    sv += v * v
                    yv += (y[k] - b) * v
                enter = yv / sv
                if abs(enter) < LEAST_PART:
                    continue
                cost = CAP * i
                for k in range(i, n):
                    v = 1.0 - _shape((k - t0) / (t1 - t0), straight)
                    cost += _off(y[k] - b - enter * v, 1.0)
                    if cost >= best[ENTERING]:
                        break
                if cost < best[ENTERING]:
                    best[ENTERING] = cost
                    found[ENTERING, START] = t0
                    found[ENTERING, END] = t1
                    found[ENTERING, STEP_TO] = b + enter
                    found[ENTERING, STRAIGHT] = straight
    return best, found


def fit_transition(
    semitones: Floats, weights: Floats, *, a: float, b: float, swing_a: Floats, swing_b: Floats, longest: int
) -> Fit:
    """Fits every model to one window of the line.

    Parameters
    ----------
    semitones : (n,) pitch of the window, without NaN; both held notes reach into it.
    weights : (n,) trust in each frame, 0 to 1.
    a, b : held pitches before and after, in semitones.
    swing_a, swing_b : (n,) vibrato of either note about them, carried on through the window.
    longest : longest glide tried, in frames.
    """
    cost, found = _fit(
        np.ascontiguousarray(semitones, dtype=np.float64),
        np.ascontiguousarray(weights, dtype=np.float64),
        a,
        b,
        swing_a,
        swing_b,
        longest,
    )
    return _as_fit(cost, found)


def fit_entrance(semitones: Floats, *, b: float) -> Fit:
    """Fits a glide into a note out of silence; the step model is the note from the first frame on.

    Parameters
    ----------
    semitones : (n,) pitch from the first sounding frame into the held note, without NaN.
    b : held pitch, in semitones.
    """
    cost, found = _enter(np.ascontiguousarray(semitones, dtype=np.float64), b)
    return _as_fit(cost, found)


def _as_fit(cost: Floats, found: Floats) -> Fit:
    return Fit(
        cost,
        found[:, START],
        found[:, END],
        found[:, STEP_FROM],
        found[:, STEP_TO],
        found[:, STEP_AT],
        found[:, STRAIGHT] > 0.5,
    )
