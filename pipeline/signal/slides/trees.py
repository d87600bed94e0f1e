"""Boosted decision trees as plain arrays: loading and evaluating them without the library that grew them."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.units import Floats

Ints = npt.NDArray[np.int32]


@dataclass(frozen=True)
class Forest:
    """Trees of one or several outputs, nodes of all trees in one row.

    Attributes
    ----------
    root : (trees,) first node of each tree.
    output : (trees,) which output a tree adds to.
    feature : (nodes,) feature asked, -1 in a leaf.
    threshold : (nodes,) go left at or below; a leaf's value in a leaf.
    left, right : (nodes,) following nodes.
    missing_left : (nodes,) whether a missing feature goes left.
    base : (outputs,) starting score of each output.
    """

    root: Ints
    output: Ints
    feature: Ints
    threshold: Floats
    left: Ints
    right: Ints
    missing_left: npt.NDArray[np.bool_]
    base: Floats

    def scores(self, rows: npt.NDArray[np.floating[Any]]) -> Floats:
        """(n, outputs) scores of feature rows (n, features); NaN means missing."""
        return np.asarray(
            _scores(
                np.ascontiguousarray(rows, dtype=np.float64),
                self.root,
                self.output,
                self.feature,
                self.threshold,
                self.left,
                self.right,
                self.missing_left,
                self.base,
            )
        )

    def arrays(self, name: str) -> dict[str, npt.NDArray[np.generic]]:
        """The arrays under names that begin with ``name``, for one npz file of several forests."""
        return {
            f"{name}_root": self.root,
            f"{name}_output": self.output.astype(np.int8),
            f"{name}_feature": self.feature.astype(np.int8),
            f"{name}_threshold": self.threshold.astype(np.float32),
            f"{name}_left": self.left.astype(np.int16),
            f"{name}_right": self.right.astype(np.int16),
            f"{name}_missing_left": self.missing_left,
            f"{name}_base": self.base,
        }


def load_forest(path: Path, name: str) -> Forest:
    """Reads the forest ``name`` from an npz file."""
    with np.load(path) as held:
        part = {key.removeprefix(f"{name}_"): held[key] for key in held.files if key.startswith(f"{name}_")}
    return Forest(
        root=part["root"].astype(np.int32),
        output=part["output"].astype(np.int32),
        feature=part["feature"].astype(np.int32),
        threshold=part["threshold"].astype(np.float64),
        left=part["left"].astype(np.int32),
        right=part["right"].astype(np.int32),
        missing_left=part["missing_left"],
        base=part["base"].astype(np.float64),
    )


_AT_ONCE = 64
"""Rows that go through a tree one after another: the tree stays in the processor's cache, and so do they."""


@njit(cache=True)
def _scores(rows, root, output, feature, threshold, left, right, missing_left, base):  # type: ignore[no-untyped-def]
    out = np.empty((rows.shape[0], base.size))
    for i in range(rows.shape[0]):
        for k in range(base.size):
            out[i, k] = base[k]
    for first in range(0, rows.shape[0], _AT_ONCE):
        last = min(first + _AT_ONCE, rows.shape[0])
        for t in range(root.size):
            for i in range(first, last):
                node = root[t]
                while feature[node] >= 0:
                    value = rows[i, feature[node]]
                    go_left = missing_left[node] if np.isnan(value) else value <= threshold[node]
                    node = root[t] + (left[node] if go_left else right[node])
                out[i, output[t]] += threshold[node]
    return out
