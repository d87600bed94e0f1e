"""Overlap of stretches: against a plain count, and by hand."""

import numpy as np
import pytest

from pipeline.overlap import overlap


def test_by_hand():
    # One second of four in common; the same; touching; apart; nothing long.
    starts, ends = [1.0, 0.0, 2.0, 5.0, 3.0], [4.0, 2.0, 3.0, 6.0, 3.0]
    assert overlap([0.0], [2.0], starts, ends).tolist() == [[0.25, 1.0, 0.0, 0.0, 0.0]]
    assert overlap([], [], [1.0], [2.0]).shape == (0, 1)


def test_as_counted_in_milliseconds():
    rng = np.random.default_rng(5)
    bounds = [np.sort(rng.choice(60, 2, replace=False)) for _ in range(20)]
    starts, ends = np.array(bounds).T
    counted = [
        [len({*range(*a)} & {*range(*b)}) / len({*range(min(a[0], b[0]), max(a[1], b[1]))}) for b in bounds]
        for a in bounds
    ]
    assert overlap(starts / 1000, ends / 1000, starts / 1000, ends / 1000) == pytest.approx(np.array(counted))
