"""A small convolutional network that says of a change of note whether, when and through which pitches it is a glide.

It looks at views of changes (``between``): six layers of convolutions across rows and columns (LeCun and others,
Proceedings of the IEEE 86, 1998), then for every row the share of the way that sounds there, and how likely it is
gliding. Views are worked off together, one below the other with empty rows between, by products of matrices. Trained
by ``python -m pipeline.training``; the weights lie beside this file, with their training record.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.special import expit, softmax

from pipeline.learned_from import check_names
from pipeline.signal.line.between import COLUMNS, NAMES
from pipeline.signal.line.network import rectify
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
GAP = max(taps // 2 * apart for taps, apart in zip(TAPS, APART, strict=True))
"""Empty rows between views: what the widest convolution reaches."""


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
    first = GAP + np.concatenate([[0], np.cumsum(lengths[:-1] + GAP)])
    total = int(first[-1] + lengths[-1] + GAP)
    x = np.zeros((total, *views[0].shape[1:]), dtype=np.float32)
    there = np.zeros(total, dtype=np.bool_)
    for one, at in zip(views, first, strict=True):
        x[at : at + len(one)] = one
        there[at : at + len(one)] = True
    for k, (taps, apart) in enumerate(zip(TAPS, APART, strict=True)):
        x = _convolved(x, p[f"w{k}"], p[f"b{k}"], taps=taps, apart=apart)
        x[~there] = 0.0
        if k == 1:
            x = np.maximum(x[:, ::2], x[:, 1::2])
    flat = x.reshape(total, -1)
    rows = np.maximum(flat @ p["row_w"] + p["row_b"], 0.0)
    rows[~there] = 0.0
    along = (x @ p["way_w"] + p["way_b"]).reshape(total, COLUMNS)
    ways = softmax(np.concatenate([along, rows @ p["none_w"] + p["none_b"]], axis=1).astype(np.float64), axis=1)
    begins = np.stack([first, first + lengths], axis=1).ravel()
    pooled = np.concatenate(
        [
            np.add.reduceat(rows, begins, axis=0)[::2] / lengths[:, None],
            np.maximum.reduceat(rows, begins, axis=0)[::2],
        ],
        axis=1,
    )
    hidden = np.maximum(pooled @ p["view_w"] + p["view_b"], 0.0)
    glide = (hidden @ p["glide_w"] + p["glide_b"])[:, 0].astype(np.float64)
    local = (rows @ p["local_w"] + p["local_b"])[:, 0].astype(np.float64)
    return [
        Judged(float(expit(odds)), expit(odds + local[at : at + n]), ways[at : at + n])
        for odds, at, n in zip(glide, first, lengths, strict=True)
    ]


def _convolved(x: F32, w: F32, b: F32, *, taps: int, apart: int) -> F32:
    """Rectified convolution of ``x`` (rows, columns, c) with ``w`` (taps, 3 c, d): planes of three columns, by rows.

    A sum over taps of products of matrices: only the columns beside each are copied, not the rows as well.
    """
    rows, columns, planes = x.shape
    reach = taps // 2 * apart
    beside = np.zeros((rows + 2 * reach, columns, 3, planes), dtype=np.float32)
    inner = beside[reach : reach + rows]
    inner[:, 1:, 0], inner[:, :, 1], inner[:, :-1, 2] = x[:, :-1], x, x[:, 1:]
    out, of_tap = np.empty((2, rows * columns, b.size), dtype=np.float32)
    for k, weights_of_tap in enumerate(w.reshape(taps, 3 * planes, b.size)):
        seen = beside[k * apart : k * apart + rows].reshape(rows * columns, 3 * planes)
        np.matmul(seen, weights_of_tap, out=of_tap if k else out)
        if k:
            out += of_tap
    rectify(out, b)
    return np.asarray(out.reshape(rows, columns, b.size))
