"""Speeds, pitches and wow against published values and arithmetic done by hand."""

import numpy as np
import pytest

from pipeline.signal.speed.prior import STANDARD_RPM, cents_of_rpm, hum_at_mains, hum_evidence, stroboscope_bars
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.signal.tuning.hum import hum_lines
from pipeline.signal.tuning.partials import RATE_HZ
from pipeline.signal.tuning.wow import Wow
from pipeline.units import cents_of_ratio, playing_rpm, ratio_of_cents


# Cents between playing speeds: 1200 log2(rpm / 78), computed by hand to two decimals.
@pytest.mark.parametrize(
    ("rpm", "cents"),
    [
        (80, 43.83), (76, -44.97), (75, -67.90), (82, 86.58), (74, -91.14),
        (78.2609, 5.78), (78.26, 5.76), (68, -237.53), (88, 208.84),
    ],
)  # fmt: skip
def test_speeds_against_78_in_cents(rpm: float, cents: float) -> None:
    assert cents_of_ratio(rpm / 78.0) == pytest.approx(cents, abs=0.005)


@pytest.mark.parametrize(("percent", "cents"), [(1.0, 17.23), (2.0, 34.28), (5.5, 92.69), (6.0, 100.88)])
def test_percentages_are_not_linear_in_cents(percent: float, cents: float) -> None:
    # the linear rule of thumb (17.31 cents a percent) would give 103.9 for 6 %
    assert cents_of_ratio(1.0 + percent / 100.0) == pytest.approx(cents, abs=0.005)


def test_four_rpm_is_not_a_semitone_at_78() -> None:
    # A semitone is 5.946 % (equal temperament); no published origin is known for "4 rpm is half a tone".
    assert 78.0 * (ratio_of_cents(100.0) - 1.0) == pytest.approx(4.638, abs=5e-4)
    assert 78.0 * (1.0 - ratio_of_cents(-100.0)) == pytest.approx(4.378, abs=5e-4)
    assert cents_of_ratio((67.27 + 4.0) / 67.27) == pytest.approx(100.0, abs=0.01)


def test_stroboscope_speeds() -> None:
    # 3600/46 and 3000/38.5 rpm (recordsindia.com, speed of records), the same as 92 bars at 60 Hz and 77 at
    # 50 Hz (ARSCLIST, September 2008); AES-S001-064 gives 77.92 rpm for calibration discs.
    assert pytest.approx(78.2609, abs=5e-5) == STANDARD_RPM
    assert stroboscope_bars(78.26) == {60: 92}
    assert stroboscope_bars(77.92) == {50: 77}
    assert cents_of_ratio(STANDARD_RPM / (3000.0 / 38.5)) == pytest.approx(7.51, abs=0.01)
    assert stroboscope_bars(80.0) == {60: 90, 50: 75}
    assert stroboscope_bars(78.8) == {}
    # 87 bars under 60 Hz are 82.76 rpm; a speed 1 cent beside it is another one
    assert stroboscope_bars(82.71) == {}


def test_standard_tolerance_of_recording_speed() -> None:
    # IEC 60098:2020, 5.6: within 0.5 % of the rated speed, +8.63 and -8.68 cents.
    assert cents_of_ratio(1.005) == pytest.approx(8.63, abs=0.005)
    assert cents_of_ratio(0.995) == pytest.approx(-8.68, abs=0.005)


# Reference pitches against 440 Hz: French law of 1859 (435); Ellis and Mendel (439); ARSCLIST June 2009 (452).
@pytest.mark.parametrize(("hz", "cents"), [(435, -19.79), (439, -3.94), (452, 46.58), (454.7, 56.9), (456, 61.8)])
def test_reference_pitches(hz: float, cents: float) -> None:
    assert cents_of_ratio(hz / 440.0) == pytest.approx(cents, abs=0.06)


# Off-centre by e mm at groove radius r: the radius swings by e / r, so the pitch by 1200 log2(1 + e / r).
@pytest.mark.parametrize(
    ("off_mm", "radius_mm", "cents"),
    [(0.2, 60, 5.8), (0.2, 145, 2.4), (0.5, 60, 14.4), (0.5, 145, 6.0), (1.0, 60, 28.6), (1.0, 145, 11.9)],
)
def test_wow_grows_as_one_over_radius(off_mm: float, radius_mm: float, cents: float) -> None:
    outer, inner = 145.0, 60.0
    middle = 0.5 * (outer + inner)
    wow = Wow(
        hz=STANDARD_RPM / 60.0,
        cents=float(cents_of_ratio(1.0 + off_mm / middle)),
        phase_rad=0.0,
        shrink=(outer - inner) / middle,
        hz_se=0.0,
        cents_se=0.0,
        chance=0.0,
    )
    when = 200.0 * (outer - radius_mm) / (outer - inner)
    turn = when + np.linspace(-0.4, 0.4, 4001)
    depth = np.abs(wow.at(turn, length_s=200.0)).max()
    assert depth == pytest.approx(cents, abs=0.15)
    if (off_mm, radius_mm) == (0.5, 60):
        # steepest pitch slope of half a millimetre near the centre: 2 pi 1.304 14.4, about 118 cents a second
        steepest = np.abs(np.gradient(wow.at(turn, length_s=200.0), turn)).max()
        assert steepest == pytest.approx(118.0, abs=2.0)


@pytest.mark.parametrize(("rpm", "hz"), [(78.2609, 1.3043), (77.9221, 1.2987), (80, 1.3333), (76, 1.2667)])
def test_once_a_turn(rpm: float, hz: float) -> None:
    assert rpm / 60.0 == pytest.approx(hz, abs=5e-5)


def test_hum_read_slow_tells_the_speed() -> None:
    # 60 Hz hum read at 58.9 Hz: 32.0 cents slow (method: tonfiks.fi, speed adjustments; numbers by hand).
    at = np.arange(int(60 * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(5)
    sound = 0.02 * np.sin(2 * np.pi * 58.9 * at) + 0.01 * rng.normal(size=at.size)
    (line,) = hum_lines(sound.astype(np.float32))
    assert line.hz == pytest.approx(58.9, abs=0.005)
    right, wrong = hum_evidence(np.array([32.0, -68.0]), [line.hz])
    assert right - wrong > 2.0
    assert hum_at_mains(32.0, [line.hz]) == (line.hz, 60)
    assert hum_at_mains(-68.0, [line.hz]) is None
    # hum of the transfer itself says nothing
    assert (hum_evidence(np.array([32.0]), [60.0])[0], hum_at_mains(32.0, [60.0])) == (0.0, None)


def test_invariants_of_a_speed_correction() -> None:
    """s = 80/78: 25 slides in 240 s are 6.250 a minute before, 6.410 in 234.0 s after; Hz/s times 1.05194."""
    ratio = 80.0 / 78.0
    speed = SpeedMap.constant(correction_cents=float(cents_of_ratio(ratio)), length_s=240.0)
    length_s = float(speed.to_true_s(240.0))
    assert length_s == pytest.approx(234.0, abs=1e-9)
    assert 25 / (length_s / 60) == pytest.approx(6.410, abs=5e-4)
    start, end = speed.to_true_s([100.0, 100.2])
    low, high = speed.true_hz([440.0, 550.0], transfer_s=[100.0, 100.2])
    assert end - start == pytest.approx(0.2 / ratio, abs=1e-12)
    assert cents_of_ratio(high / low) == pytest.approx(cents_of_ratio(550 / 440), abs=1e-9)
    assert (high - low) / (end - start) / (110.0 / 0.2) == pytest.approx(1.05194, abs=5e-6)
    vibrato_s = np.diff(speed.to_true_s([50.0, 50.0 + 1 / 6.0]))[0]
    assert 1 / vibrato_s == pytest.approx(6.0 * ratio, abs=1e-9)
    assert playing_rpm(turntable_rpm=78.0, speed_ratio=ratio) == pytest.approx(80.0)
    assert ratio_of_cents(100.0) ** 2 == pytest.approx(1.12246, abs=5e-6)


def test_cents_of_rpm_is_zero_at_the_standard() -> None:
    assert cents_of_rpm(STANDARD_RPM) == pytest.approx(0.0)
    # 76.59 rpm against 78.26 and 78.26 against 80, worked by hand from 1200 log2
    assert -cents_of_rpm(76.59) == pytest.approx(37.3, abs=0.1)
    assert cents_of_rpm(80.0) == pytest.approx(38.1, abs=0.1)
