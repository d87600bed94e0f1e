"""Boosted decision trees as plain arrays: loading and evaluating them without the library that grew them."""

from dataclasses import dataclass
from functools import cached_property
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
        out = np.tile(self.base, (len(rows), 1))
        _add_scores(np.ascontiguousarray(rows), self._by_level, self.output, out)
        return out

    @cached_property
    def _by_level(self) -> tuple[npt.NDArray[np.generic], ...]:
        """The trees as ``_add_scores`` goes through them: no branches, so that four rows go at once.

        Of every tree its first node and its levels; of every node its left child, which the right one follows (a leaf
        is its own), the feature, the threshold (never passed in a leaf), whether what is missing goes right, and a
        leaf's value.
        """
        first: list[int] = []
        levels: list[int] = []
        child: list[int] = []
        feature: list[int] = []
        threshold: list[float] = []
        right_if_missing: list[bool] = []
        value: list[float] = []
        for root in self.root:
            begin = len(child)
            first.append(begin)
            row = [(int(root), 0)]
            for node, level in row:
                leaf = bool(self.feature[node] < 0)
                child.append(len(child) if leaf else begin + len(row))
                feature.append(0 if leaf else int(self.feature[node]))
                threshold.append(np.inf if leaf else self.threshold[node])
                right_if_missing.append(not leaf and not self.missing_left[node])
                value.append(self.threshold[node] if leaf else 0.0)
                if not leaf:
                    row += [(int(root + below[node]), level + 1) for below in (self.left, self.right)]
            levels.append(row[-1][1])
        return (
            np.array(first, dtype=np.int32),
            np.array(levels, dtype=np.int32),
            np.array(child, dtype=np.int32),
            np.array(feature, dtype=np.int32),
            np.array(threshold, dtype=np.float64),
            np.array(right_if_missing, dtype=np.bool_),
            np.array(value, dtype=np.float64),
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


@njit(cache=True, inline="always")
def _below(node, value, child, threshold, right_if_missing):  # type: ignore[no-untyped-def]
    return child[node] + np.int32((value > threshold[node]) | ((value != value) & right_if_missing[node]))


@njit(cache=True)
def _add_scores(rows, laid, output, out):  # type: ignore[no-untyped-def]
    first, levels, child, feature, threshold, right_if_missing, value = laid
    for start in range(0, rows.shape[0], _AT_ONCE):
        stop = min(start + _AT_ONCE, rows.shape[0])
        for t in range(first.size):
            k = output[t]
            i = start
            while i < stop:
                # Past the last row the last is taken again, and not counted.
                i1, i2, i3 = min(i + 1, stop - 1), min(i + 2, stop - 1), min(i + 3, stop - 1)
                a = b = c = d = first[t]
                for _ in range(levels[t]):
                    a = _below(a, rows[i, feature[a]], child, threshold, right_if_missing)
                    b = _below(b, rows[i1, feature[b]], child, threshold, right_if_missing)
                    c = _below(c, rows[i2, feature[c]], child, threshold, right_if_missing)
                    d = _below(d, rows[i3, feature[d]], child, threshold, right_if_missing)
                out[i, k] += value[a]
                if i + 1 < stop:
                    out[i + 1, k] += value[b]
                if i + 2 < stop:
                    out[i + 2, k] += value[c]
                if i + 3 < stop:
                    out[i + 3, k] += value[d]
                i += 4
