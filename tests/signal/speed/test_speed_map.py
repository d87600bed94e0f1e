"""Times and pitches mapped by a correction curve, both ways."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.units import cents_of_ratio


def curve(t: np.ndarray) -> np.ndarray:
    return 80 * np.sin(t / 50) + 20 * np.sin(2 * np.pi * 1.3 * t) + 45 * (t > 90)


def made(length_s: float = 200.0) -> SpeedMap:
    grid = np.arange(0.0, length_s + 0.02, 0.02)
    return SpeedMap(grid, curve(grid))


def test_times_go_there_and_back() -> None:
    speed = made()
    times = np.random.default_rng(1).uniform(-5.0, 210.0, 50_000)
    assert np.abs(speed.to_transfer_s(speed.to_true_s(times)) - times).max() < 1e-9
    assert np.abs(speed.to_true_s(speed.to_transfer_s(times)) - times).max() < 1e-9
    assert speed.to_true_s(0.0) == 0.0


def test_true_time_is_the_integral_of_one_over_the_ratio() -> None:
    # against the adaptive quadrature of QUADPACK (scipy.integrate.quad), on a curve of straight pieces
    speed = SpeedMap([0.0, 1.0, 4.0], [100.0, -200.0, 300.0])
    for low, high in ((0.0, 1.0), (1.0, 4.0), (0.3, 0.9), (-2.0, 0.0), (4.0, 7.0)):
        whole, _ = quad(lambda t: 1.0 / float(speed.ratio_at(t)), low, high, epsabs=1e-12)
        assert speed.to_true_s(high) - speed.to_true_s(low) == pytest.approx(whole, abs=1e-10)


@settings(max_examples=60, deadline=None)
@given(
    cents=st.lists(st.floats(-1500, 1500), min_size=1, max_size=8),
    steps=st.lists(st.floats(0.001, 50), min_size=8, max_size=8),
    at=st.floats(-100, 500),
)
def test_any_curve_is_invertible(cents: list[float], steps: list[float], at: float) -> None:
    speed = SpeedMap(np.cumsum(steps[: len(cents)]), np.array(cents))
    there = float(speed.to_true_s(at))
    assert float(speed.to_transfer_s(there)) == pytest.approx(at, abs=1e-9 * max(1.0, abs(there), abs(at)))
    assert float(speed.to_true_s(at + 1.0)) > there


def test_pitches_go_there_and_back_and_keep_intervals_of_one_moment() -> None:
    speed = made()
    rng = np.random.default_rng(2)
    times, hz = rng.uniform(0, 200, 1000), rng.uniform(100, 2000, 1000)
    true = speed.true_hz(hz, transfer_s=times)
    assert np.abs(cents_of_ratio(speed.raw_hz(true, transfer_s=times) / hz)).max() < 1e-9
    assert np.allclose(cents_of_ratio(true / hz), speed.cents_at(times), atol=1e-9)
    assert np.isnan(speed.true_hz([np.nan], transfer_s=[1.0])[0])


def test_the_identity_changes_nothing() -> None:
    speed = SpeedMap.identity(10.0)
    times = np.linspace(-1, 12, 50)
    assert np.array_equal(speed.to_true_s(times), times)
    assert np.array_equal(speed.cents_at(times), np.zeros(50))


@pytest.mark.parametrize(
    ("time_s", "cents", "what"),
    [
        ([], [], "one length"),
        ([0.0, 1.0], [0.0], "one length"),
        ([0.0, 0.0], [1.0, 2.0], "rise"),
        ([0.0, 1.0], [0.0, np.nan], "finite"),
    ],
)
def test_wrong_curves_are_refused(time_s: list[float], cents: list[float], what: str) -> None:
    with pytest.raises(ValueError, match=what):
        SpeedMap(np.array(time_s), np.array(cents))
