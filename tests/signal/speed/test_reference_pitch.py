"""A4 as a quantity: forks, widths, and what is assumed by place and year."""

import numpy as np
import pytest

from pipeline.signal.speed.reference_pitch import GRID_CENTS, ReferencePitch, assumed, region_of
from pipeline.units import a4_of_fork

# Ellis and Mendel (quoted at damianstrings.com): the Philharmonic pitch of 1896 is A 439, C 522.
PHILHARMONIC_A, PHILHARMONIC_C = 439.0, 522.0


def test_a_fork_on_c_gives_a() -> None:
    assert a4_of_fork(PHILHARMONIC_C, "C5") == pytest.approx(PHILHARMONIC_A, abs=0.1)
    # C5 at A4 = 440 Hz is 523.25 Hz in equal temperament (mathematics)
    assert a4_of_fork(523.2511, "C5") == pytest.approx(440.0, abs=1e-3)
    assert a4_of_fork(435.0, "A4") == 435.0


def test_a_stated_pitch_is_a_normal_distribution() -> None:
    masses = ReferencePitch(435.0, 4.0, 1.0, "stated", stated=True).masses()
    mean = float(masses @ GRID_CENTS)
    assert masses.sum() == pytest.approx(1.0)
    # 1200 log2(435/440), as in science and standards on the diapason normal
    assert mean == pytest.approx(-19.79, abs=0.01)
    # a cell one cent wide adds 1/12 to the variance (Sheppard's correction)
    assert masses @ (GRID_CENTS - mean) ** 2 == pytest.approx(16.0 + 1.0 / 12.0, rel=1e-3)


@pytest.mark.parametrize("region", [None, "britain", "america", "continent"])
@pytest.mark.parametrize("year", [None, 1905, 1932, 1950])
def test_what_is_assumed_is_a_distribution_with_no_holes(region: str | None, year: int | None) -> None:
    masses = np.sum([pitch.masses() for pitch in assumed(region, year)], axis=0)
    assert masses.sum() == pytest.approx(1.0)
    inside = (GRID_CENTS >= -39.8) & (GRID_CENTS <= 58.1)  # 430 to 455 Hz
    assert masses[inside].min() > 1e-4
    assert masses[inside].sum() > 0.9


def test_place_and_year_move_what_is_assumed() -> None:
    assert assumed("continent", 1908)[0].hz == 435.0
    assert assumed("america", 1908)[0].hz == 440.0
    early, late = (
        next(pitch.probability for pitch in assumed("britain", year) if pitch.hz == 452.0) for year in (1910, 1935)
    )
    assert late < early
    assert assumed("continent", 1950)[0].hz == 440.0


@pytest.mark.parametrize(
    ("place", "region"),
    [
        ("Hayes, Middlesex", "britain"),
        ("Camden, New Jersey", "america"),
        ("BERLIN", "continent"),
        ("Mossgate", None),
        ("London and Paris", None),
        (None, None),
    ],
)
def test_places_are_told_by_their_words(place: str | None, region: str | None) -> None:
    assert region_of(place) == region
