"""Runs of frames in which something is so."""

import numpy as np
import numpy.typing as npt


def runs(on: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First frame and end (not included) of each unbroken run of frames (n,) that are on."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], on, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
