"""Boosted decision trees as plain arrays: loading and evaluating them without the library that grew them."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from numba.cpython.unsafe.numbers import trailing_zeros

from pipeline.compiled import compiled
from pipeline.units import Floats

Ints = npt.NDArray[np.int32]

MOST_LEAVES = 32
"""Of one tree: a leaf is a bit of a number."""
_ALL = 0xFFFFFFFF  # a bit for each leaf
_TOGETHER = 4  # questions asked in one pass over rows, which costs as much as an answer

Question = tuple[int, float, bool, int]
"""The feature, the threshold, whether what is missing goes right, and the leaves left when the answer is "right"."""


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
        out = np.repeat(self.base[:, None], len(rows), axis=1)
        columns = np.empty((rows.shape[1], _AT_ONCE), dtype=np.float32)
        leaves = np.empty(_AT_ONCE, dtype=np.uint32)
        add_scores(_rounded_up(rows), self._as_masks, self.output, columns, leaves, out)
        return out.T

    @cached_property
    def _as_masks(self) -> tuple[npt.NDArray[np.generic], ...]:
        """The trees as ``add_scores`` goes through them.

        Of every tree its first question (and one number more, of all questions) and the values of its leaves, from left
        to right; of every question the feature, the threshold, whether what is missing goes right, and the leaves that
        are left when the answer is "right", as bits. Questions come by fours that treat what is missing alike, filled
        up with some that strike out nothing.
        """
        first = [0]
        values = np.zeros((self.root.size, MOST_LEAVES))
        asked: list[Question] = []
        for tree, root in enumerate(self.root):
            leaves: list[float] = []
            of_tree: list[Question] = []
            self._ask(int(root), int(root), of_tree, leaves)
            if len(leaves) > MOST_LEAVES:
                raise ValueError(f"a tree has {len(leaves)} leaves: at most {MOST_LEAVES} can be evaluated")
            for goes_right in (True, False):
                alike = [question for question in of_tree if question[2] == goes_right]
                asked += alike + [(0, np.inf, goes_right, _ALL)] * (-len(alike) % _TOGETHER)
            first.append(len(asked))
            values[tree, : len(leaves)] = leaves
        feature, threshold, right_if_missing, kept = zip(*asked, strict=True) if asked else ((), (), (), ())
        return (
            np.array(first, dtype=np.int32),
            values,
            np.array(feature, dtype=np.int32),
            np.array(threshold, dtype=np.float32),
            np.array(right_if_missing, dtype=np.bool_),
            np.array(kept, dtype=np.uint32),
        )

    def _ask(self, root: int, node: int, asked: list[Question], leaves: list[float]) -> None:
        """Appends the questions and leaves below a node."""
        if self.feature[node] < 0:
            leaves.append(float(self.threshold[node]))
            return
        before = len(leaves)
        self._ask(root, root + int(self.left[node]), asked, leaves)
        below_left = (1 << len(leaves)) - (1 << before)
        question = int(self.feature[node]), float(self.threshold[node]), not bool(self.missing_left[node])
        asked.append((*question, _ALL & ~below_left))
        self._ask(root, root + int(self.right[node]), asked, leaves)

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


def _rounded_up(rows: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.float32]:
    """Rows in single precision, as thresholds are: rounded up, they are above the same thresholds as before."""
    single = np.ascontiguousarray(rows, dtype=np.float32)
    if single.dtype != rows.dtype:
        np.nextafter(single, np.float32(np.inf), out=single, where=single < rows)
    return single


_AT_ONCE = 192
"""Rows that answer one question after another: they stay in the processor's cache."""


@compiled()
def add_scores(rows, trees, output, columns, leaves, out):  # type: ignore[no-untyped-def]
    """Adds the leaf that each row reaches in each tree.

    All questions of a tree are asked, of many rows at once, and each answer "right" strikes out the leaves to its left;
    the first that is left is the one reached (Lucchese and others 2015, "QuickScorer", SIGIR).
    """
    first, values, feature, threshold, right_if_missing, kept = trees
    all_left = np.uint32(_ALL)
    for start in range(0, rows.shape[0], leaves.shape[0]):
        some = min(leaves.shape[0], rows.shape[0] - start)
        for i in range(some):
            for f in range(rows.shape[1]):
                columns[f, i] = rows[start + i, f]
        for t in range(values.shape[0]):
            for i in range(some):
                leaves[i] = all_left
            for q in range(first[t], first[t + 1], _TOGETHER):
                a, b, c, d = (
                    columns[feature[q]],
                    columns[feature[q + 1]],
                    columns[feature[q + 2]],
                    columns[feature[q + 3]],
                )
                a_most, b_most, c_most, d_most = threshold[q], threshold[q + 1], threshold[q + 2], threshold[q + 3]
                a_kept, b_kept, c_kept, d_kept = kept[q], kept[q + 1], kept[q + 2], kept[q + 3]
                if right_if_missing[q]:
                    for i in range(some):
                        after_a = all_left if a[i] <= a_most else a_kept
                        after_b = all_left if b[i] <= b_most else b_kept
                        after_c = all_left if c[i] <= c_most else c_kept
                        after_d = all_left if d[i] <= d_most else d_kept
                        leaves[i] &= after_a & after_b & after_c & after_d
                else:
                    for i in range(some):
                        after_a = a_kept if a[i] > a_most else all_left
                        after_b = b_kept if b[i] > b_most else all_left
                        after_c = c_kept if c[i] > c_most else all_left
                        after_d = d_kept if d[i] > d_most else all_left
                        leaves[i] &= after_a & after_b & after_c & after_d
            score, value = out[output[t], start : start + some], values[t]
            for i in range(some):
                score[i] += value[np.uint64(trailing_zeros(leaves[i]))]  # type: ignore[call-arg]
