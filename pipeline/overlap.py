"""When two stretches of sound are the same slide: by how much of both together they share."""

import numpy as np
import numpy.typing as npt

from pipeline.units import Floats

SAME_SLIDE = 0.3
"""From more than this share on, two slides of one direction are the same one (common practice, no source). The view
``stage.verdict`` holds the same number for verdicts and finds."""


def overlap(
    starts: npt.ArrayLike, ends: npt.ArrayLike, other_starts: npt.ArrayLike, other_ends: npt.ArrayLike
) -> Floats:
    """Intersection over union of each stretch with each other one, shape (stretches, others); 0 where they are apart.

    >>> overlap([0.0], [2.0], [1.0, 5.0], [4.0, 6.0]).tolist()
    [[0.25, 0.0]]
    """
    first, last = np.asarray(starts, np.float64)[:, None], np.asarray(ends, np.float64)[:, None]
    begin, end = np.asarray(other_starts, np.float64)[None, :], np.asarray(other_ends, np.float64)[None, :]
    shared = np.clip(np.minimum(last, end) - np.maximum(first, begin), 0.0, None)
    together = np.maximum(last, end) - np.minimum(first, begin)
    made: Floats = np.divide(shared, together, out=np.zeros_like(shared), where=together > 0)
    return made
