"""The cheapest partition against trying every one, each piece's cost by numpy's own mean and straight line."""

from collections.abc import Iterator

import numpy as np
import pytest

from pipeline.signal.slides import partition as module
from pipeline.signal.slides.partition import Piece, partition

LIMITS = {"plateau_min": 3, "plateau_max": 9, "glide_min": 2, "glide_max": 5}


def cost(line: np.ndarray, glide: bool) -> float:
    if not glide:
        spread = float(((line - line.mean()) ** 2).sum()) / module.PLATEAU_SIGMA**2
        return module.PLATEAU_COST + min(spread, module.PLATEAU_CAP_PER_FRAME * line.size)
    at = np.arange(line.size)
    slope, level = np.polyfit(at, line, 1)
    if abs(slope) * (line.size - 1) < module.GLIDE_RISE:
        return np.inf
    return module.GLIDE_COST + float(((line - slope * at - level) ** 2).sum()) / module.GLIDE_SIGMA**2


def every(length: int) -> Iterator[list[tuple[bool, int]]]:
    """All ways to lay pieces of allowed lengths end to end."""
    if length == 0:
        yield []
    for glide, kind in ((False, "plateau"), (True, "glide")):
        for size in range(LIMITS[f"{kind}_min"], min(LIMITS[f"{kind}_max"], length) + 1):
            for rest in every(length - size):
                yield [(glide, size), *rest]


def total(line: np.ndarray, pieces: list[tuple[bool, int]], known: dict[tuple[int, int, bool], float]) -> float:
    sum_of_all, end = 0.0, 0
    for glide, size in pieces:
        end += size
        place = (end - size, end, glide)
        if place not in known:
            known[place] = cost(line[end - size : end], glide)
        sum_of_all += known[place]
    return sum_of_all


@pytest.mark.parametrize("seed", range(12))
def test_no_partition_is_cheaper(seed: int) -> None:
    rng = np.random.default_rng(seed)
    steps = rng.choice((0.0, 0.0, 0.0, 0.4, -0.8, 3.0), size=14) * rng.choice((-1, 1), size=14)
    line = 69.0 + np.cumsum(steps) + rng.normal(0.0, 0.08, 14)
    found = partition(line, **LIMITS)
    assert [piece.start for piece in found] == [0, *(piece.end for piece in found[:-1])]
    assert found[-1].end == line.size
    known: dict[tuple[int, int, bool], float] = {}
    best = min(total(line, way, known) for way in every(line.size))
    assert total(line, [(piece.glide, piece.length) for piece in found], known) == pytest.approx(best, abs=1e-6)


def test_a_plain_glide_between_two_notes_is_three_pieces() -> None:
    line = np.concatenate([np.full(8, 69.0), [70.0, 70.7, 71.4, 72.1], np.full(8, 73.0)])
    found = partition(line, plateau_min=3, plateau_max=20, glide_min=3, glide_max=10)
    assert [piece.glide for piece in found] == [False, True, False]
    assert found[1] == Piece(True, 8, 12, pytest.approx(71.05), pytest.approx(2.1))
