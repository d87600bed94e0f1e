"""Runs of frames that are on."""

import numpy as np
import pytest

from pipeline.runs import runs


@pytest.mark.parametrize(
    ("on", "found"),
    [("", []), ("..", []), ("##", [(0, 2)]), ("#.##.", [(0, 1), (2, 4)]), (".#", [(1, 2)])],
)
def test_runs(on: str, found: list[tuple[int, int]]) -> None:
    assert runs(np.array([sign == "#" for sign in on], dtype=bool)) == found
