"""Grows the trees that accept slides and name their kinds, and writes them as plain arrays.

Only this script needs scikit-learn. The rows come from rendered sides of our own additive voices, tracked by the
tracker in use (``slide_rows``); sides, not rows, are split when the scores are calibrated.
"""

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import logit
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold

from pipeline.kinds import NAMED_KINDS
from pipeline.signal.slides.trees import Forest
from pipeline.units import Floats

ACCEPT = {"max_iter": 800, "max_leaf_nodes": 24, "learning_rate": 0.045, "min_samples_leaf": 40}
BOW = {"max_iter": 60, "max_leaf_nodes": 6, "learning_rate": 0.1, "min_samples_leaf": 30}
SHARE = 0.27
"""Share of slides among candidates that the confidence is stated for; the sides learned from hold more."""
NAME = {"max_iter": 250, "max_leaf_nodes": 16, "learning_rate": 0.07, "min_samples_leaf": 30, "max_features": 0.3}


def grow(
    values: Floats, kind: npt.NDArray[np.int64], side: npt.NDArray[np.generic], *, seed: int
) -> dict[str, npt.NDArray[np.generic]]:
    """Arrays of the forests ``accept`` and ``kind``, with their calibration.

    Parameters
    ----------
    values : (n, features).
    kind : (n,) index into ``KINDS``, -1 for no slide.
    side : (n,) what side a row comes from.
    """
    held = kind >= 0
    accept = _classifier(ACCEPT, seed).fit(values, held)
    name = _classifier(NAME, seed).fit(values[held], kind[held])
    arrays = {**forest_of(accept, 1).arrays("accept"), **forest_of(name, len(NAMED_KINDS)).arrays("kind")}
    line = _calibration(values, held, side, options=ACCEPT, seed=seed)
    learned = float(held.mean())
    line[1] += logit(SHARE) - logit(learned)
    arrays["accept_line"] = line
    return arrays


def grow_bowing(
    values: Floats, rebowed: npt.NDArray[np.bool_], side: npt.NDArray[np.generic], *, seed: int
) -> dict[str, npt.NDArray[np.generic]]:
    """Arrays of the forest ``bow`` with its calibration; ``rebowed`` (n,) says which rows begin a stroke."""
    arrays = forest_of(_classifier(BOW, seed).fit(values, rebowed), 1).arrays("bow")
    arrays["bow_line"] = _calibration(values, rebowed, side, options=BOW, seed=seed)
    return arrays


def _classifier(options: dict[str, Any], seed: int) -> Any:
    return HistGradientBoostingClassifier(**options, l2_regularization=2.0, early_stopping=False, random_state=seed)


def _calibration(
    values: Floats,
    held: npt.NDArray[np.bool_],
    side: npt.NDArray[np.generic],
    *,
    options: dict[str, Any],
    seed: int,
) -> Floats:
    """Slope and offset that turn scores into log odds, from scores of sides not learned from (Platt 1999)."""
    scores = np.empty(held.size)
    for train, test in GroupKFold(3).split(values, held, side):
        scores[test] = _classifier(options, seed).fit(values[train], held[train]).decision_function(values[test])
    line = LogisticRegression(C=100.0).fit(scores[:, None], held)
    return np.array([float(line.coef_[0, 0]), float(line.intercept_[0])])


def forest_of(model: Any, outputs: int) -> Forest:
    """Plain arrays of a fitted histogram booster."""
    root, output, parts = [], [], []
    count = 0
    for stage in model._predictors:
        for k, tree in enumerate(stage):
            nodes = tree.nodes
            root.append(count)
            output.append(k)
            parts.append(nodes)
            count += nodes.size
    nodes = np.concatenate(parts)
    leaf = nodes["is_leaf"].astype(bool)
    return Forest(
        root=np.array(root, dtype=np.int32),
        output=np.array(output, dtype=np.int32),
        feature=np.where(leaf, -1, nodes["feature_idx"]).astype(np.int32),
        threshold=np.where(leaf, nodes["value"], nodes["num_threshold"]).astype(np.float64),
        left=nodes["left"].astype(np.int32),
        right=nodes["right"].astype(np.int32),
        missing_left=nodes["missing_go_to_left"].astype(bool),
        base=np.ravel(model._baseline_prediction).astype(np.float64)[:outputs],
    )
