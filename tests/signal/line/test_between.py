"""Views of changes of note: what stands where."""

import numpy as np
import pytest

from pipeline.signal.line.between import (
    CELL,
    COLUMNS,
    FIRST,
    MARGIN,
    MOST_ROWS,
    NAMES,
    PLANES,
    STEP,
    Change,
    Spectra,
    view,
)
from pipeline.signal.line.grid import BELOW
from pipeline.signal.line.spectrum import BINS_PER_SEMITONE

LOWEST = 52.0


def grid_of(midi: np.ndarray) -> np.ndarray:
    """A grid in which nothing sounds but the first partial of a pitch, row by row."""
    grid = np.zeros((midi.size, 800), dtype=np.float32)
    grid[np.arange(midi.size), np.rint(BELOW + (midi - LOWEST) * BINS_PER_SEMITONE).astype(int)] = 1.0
    return grid


@pytest.mark.parametrize(("a", "b"), [(69.0, 73.0), (74.0, 70.0), (62.0, 74.0)])
def test_a_glide_is_a_slope_whatever_the_interval_and_its_direction(a: float, b: float) -> None:
    change = Change(end=40, start=80, a=a, b=b)
    first, last = change.rows
    row = np.arange(60)
    share = np.clip((row - 20) / 20, 0.0, 1.0)
    grid = grid_of(a + (b - a) * share)
    seen = view(Spectra(grid, grid, grid), 0, change, lowest_midi=LOWEST)
    assert seen.shape == (last - first, COLUMNS, PLANES + 2)
    assert len(NAMES) == PLANES + 2
    for plane in (0, 6, 10):
        column = seen[..., plane].argmax(axis=1)
        np.testing.assert_allclose(FIRST + CELL * column, share[first:last], atol=0.75 * CELL + 0.1 / abs(b - a))


def test_a_view_reaches_both_notes_and_no_farther_than_it_may() -> None:
    near, far = Change(end=200, start=210, a=69.0, b=71.0), Change(end=200, start=400, a=69.0, b=71.0)
    assert near.rows == (200 // STEP - MARGIN, 210 // STEP + MARGIN)
    first, last = far.rows
    assert last - first == MOST_ROWS
    assert abs((first + last) * STEP / 2 - 300) <= STEP


def test_what_lies_before_the_side_is_empty() -> None:
    change = Change(end=4, start=8, a=69.0, b=71.0)
    grid = np.ones((40, 800), dtype=np.float32)
    seen = view(Spectra(grid, grid, grid), 0, change, lowest_midi=LOWEST)
    before = -change.rows[0]
    assert before > 0
    assert not seen[:before, :, :PLANES].any()
    assert (seen[before:, :, 0] == 1.0).all()


def test_each_partial_stands_in_its_own_plane() -> None:
    change = Change(end=40, start=44, a=69.0, b=71.0)
    for partial, plane in ((1, 0), (2, 1), (3, 2), (4, 3), (5, 4), (8, 5)):
        sounding = 69.0 + 12.0 * np.log2(partial)
        grid = grid_of(np.full(60, sounding))
        seen = view(Spectra(grid, 0 * grid, 0 * grid), 0, change, lowest_midi=LOWEST)
        column = round((0.0 - FIRST) / CELL)
        assert seen[5, column - 1 : column + 2, plane].max() > 0.2
        assert seen[5, :, plane].max() >= seen[5, :, :6].max()
