"""The fit of a transition against trying everything, written plainly with numpy."""

from itertools import product

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.signal.slides import glide_fit
from pipeline.signal.slides.glide_fit import CAP, GRACE, JUMP, SAME, SIGMA, fit_entrance, fit_transition

Line = npt.NDArray[np.float64]
N, A, B = 18, 69.0, 72.0


def off(line: Line, weights: Line, model: Line) -> float:
    return float((weights * np.minimum(((line - model) / SIGMA) ** 2, CAP)).sum())


def glide(t0: float, t1: float, *, straight: bool) -> Line:
    part = np.clip((np.arange(N) - t0) / (t1 - t0), 0.0, 1.0)
    return A + (B - A) * (part if straight else 0.5 - 0.5 * np.cos(np.pi * part))


def cheapest_glide(line: Line, weights: Line, *, by: float) -> float:
    places = np.arange(0.0, N - 1 + by / 2, by)
    pairs = ((t0, t1) for t0, t1 in product(places, places) if t1 - t0 >= 1.0)
    return min(off(line, weights, glide(t0, t1, straight=s)) for t0, t1 in pairs for s in (False, True))


@pytest.fixture(params=range(8))
def window(request: pytest.FixtureRequest) -> tuple[Line, Line]:
    """A glide, or a step, at a place between frames, with noise and a few wild frames."""
    rng = np.random.default_rng(request.param)
    start = rng.uniform(2.0, 9.0)
    length = 0.01 if request.param % 4 == 0 else rng.uniform(1.5, 7.0)
    line = glide(start, start + length, straight=request.param % 2 == 0) + rng.normal(0.0, 0.15, N)
    line[rng.integers(0, N)] += rng.choice((-5.0, 5.0))
    return line, rng.uniform(0.3, 1.0, N)


def test_the_best_glide_is_no_worse_than_any_on_the_grid_of_frames(window: tuple[Line, Line]) -> None:
    line, weights = window
    none = np.zeros(N)
    found = fit_transition(line, weights, a=A, b=B, swing_a=none, swing_b=none, longest=N)
    cost = float(found.cost[SAME])
    own = glide(float(found.start[SAME]), float(found.end[SAME]), straight=bool(found.straight[SAME]))
    assert cost == pytest.approx(off(line, weights, own), abs=1e-9)
    # Ends are tried at quarters of a frame around the best on the grid: never worse than all of these, never better
    # than all of those.
    assert cheapest_glide(line, weights, by=0.25) - 1e-9 <= cost <= cheapest_glide(line, weights, by=1.0) + 1e-9


def test_the_best_step_and_the_best_short_note_between_are_those_of_all(window: tuple[Line, Line]) -> None:
    line, weights = window
    none = np.zeros(N)
    found = fit_transition(line, weights, a=A, b=B, swing_a=none, swing_b=none, longest=N)
    at = np.arange(N)
    assert found.cost[JUMP] == pytest.approx(
        min(off(line, weights, np.where(at < k, A, B)) for k in range(N + 1)), abs=1e-9
    )
    between = [np.inf]
    for i in range(1, N - 3):
        for j in range(i + 2, N - 1):
            level = float(np.average(line[i : j + 1], weights=weights[i : j + 1]))
            if min(abs(level - A), abs(level - B)) >= glide_fit.LEAST_STEP:
                between.append(off(line, weights, np.where(at < i, A, np.where(at > j, B, level))))
    assert found.cost[GRACE] == pytest.approx(min(between), abs=1e-9)


def test_a_glide_into_a_first_note_is_found_where_it_was_put() -> None:
    part = np.clip(np.arange(30) / 12.0, 0.0, 1.0)
    line = 72.0 - 4.0 * (0.5 + 0.5 * np.cos(np.pi * part))
    found = fit_entrance(line, b=72.0)
    at = glide_fit.ENTERING
    assert (found.start[at], found.end[at]) == (0.0, pytest.approx(12.0, abs=0.5))
    assert found.step_to[at] == pytest.approx(68.0, abs=0.05)
    assert found.cost[at] < 0.01 < found.cost[JUMP]
