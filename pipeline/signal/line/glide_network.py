"""A small convolutional network that says of a change of note whether, when and through which pitches it is a glide.

It looks at views of changes (``between``): six layers of convolutions across rows and columns (LeCun and others,
Proceedings of the IEEE 86, 1998), then for every row the share of the way that sounds there, and how likely it is
gliding. Views are worked off together, one below the other (``convolution``). Trained by ``python -m
pipeline.training``; the weights lie beside this file, with their training record.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.special import expit, softmax

from pipeline.learned_from import check_names
from pipeline.signal.line.between import COLUMNS, NAMES
from pipeline.signal.line.convolution import convolved
from pipeline.signal.line.spectrum import F32

WEIGHTS = Path(__file__).with_name("glide_weights.npz")
WIDTHS = (32, 32, 48, 48, 48, 48)
"""Planes after each convolution; after the second, columns are taken by twos."""
TAPS = (3, 3, 5, 5, 5, 5)
"""Rows that each looks at; across, each looks at three columns."""
APART = (1, 1, 1, 2, 2, 4)
"""Rows from one of those to the next."""
ROW_HIDDEN, VIEW_HIDDEN = 96, 64
"""Numbers kept of a row, and of a view."""


@dataclass(frozen=True)
class Judged:
    """What is thought of one change: ``glide``, probability that it is one; by rows (r,) ``gliding``, and ``way``
    (r, ``COLUMNS`` + 1), how likely each share of the way sounds, and last that none of them does."""

    glide: float
    gliding: npt.NDArray[np.float64]
    way: npt.NDArray[np.float64]


@cache
def weights(path: Path = WEIGHTS) -> dict[str, F32]:
    """The arrays of the network, by name.

    Raises
    ------
    ValueError
        If it was learned from other planes than those of this program.
    """
    with np.load(path, allow_pickle=False) as file:
        held = {name: file[name] for name in file.files}
    check_names(path, "what judges changes of note", held.pop("names", None), NAMES)
    return {name: np.ascontiguousarray(value, dtype=np.float32) for name, value in held.items()}


def judge(views: list[F32], p: dict[str, F32]) -> list[Judged]:
    """Judge views (rows, columns, planes), of any number of rows each."""
    if not views:
        return []
    lengths = np.array([len(one) for one in views])
    first = np.cumsum(lengths) - lengths
    x = np.concatenate(views)
    for k, (taps, apart) in enumerate(zip(TAPS, APART, strict=True)):
        x = convolved(x, lengths, p[f"w{k}"], p[f"b{k}"], taps=taps, apart=apart)
        if k == 1:
            x = np.maximum(x[:, ::2], x[:, 1::2])
    rows = np.maximum(x.reshape(len(x), -1) @ p["row_w"] + p["row_b"], 0.0)
    along = (x @ p["way_w"] + p["way_b"]).reshape(len(x), COLUMNS)
    ways = softmax(np.concatenate([along, rows @ p["none_w"] + p["none_b"]], axis=1).astype(np.float64), axis=1)
    pooled = np.concatenate(
        [np.add.reduceat(rows, first, axis=0) / lengths[:, None], np.maximum.reduceat(rows, first, axis=0)], axis=1
    )
    hidden = np.maximum(pooled @ p["view_w"] + p["view_b"], 0.0)
    glide = (hidden @ p["glide_w"] + p["glide_b"])[:, 0].astype(np.float64)
    local = (rows @ p["local_w"] + p["local_b"])[:, 0].astype(np.float64)
    return [
        Judged(float(expit(odds)), expit(odds + local[at : at + n]), ways[at : at + n])
        for odds, at, n in zip(glide, first, lengths, strict=True)
    ]
