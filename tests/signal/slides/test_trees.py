"""Trees as arrays give the scores of the library that grew them: scikit-learn's ``decision_function``."""

from pathlib import Path

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier

from pipeline.signal.slides.trees import Forest, load_forest
from pipeline.training.slide_trees import forest_of


@pytest.mark.parametrize("classes", [2, 3])
def test_scores_are_those_of_scikit_learn(classes: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(classes)
    rows = rng.normal(size=(400, 5))
    rows[rng.random(rows.shape) < 0.15] = np.nan
    known = np.digitize(np.nan_to_num(rows[:, 0]) + rng.normal(0.0, 0.5, 400), [-0.4, 0.4][: classes - 1])
    model = HistGradientBoostingClassifier(max_iter=12, max_leaf_nodes=6, random_state=0).fit(rows, known)
    fresh = rng.normal(size=(300, 5))
    fresh[rng.random(fresh.shape) < 0.3] = np.nan
    expected = model.decision_function(fresh).reshape(300, -1)
    outputs = expected.shape[1]
    forest = forest_of(model, outputs)
    np.testing.assert_allclose(forest.scores(fresh), expected, atol=1e-9)
    np.savez(tmp_path / "forest.npz", **forest.arrays("kind"))  # thresholds and values as single precision
    np.testing.assert_allclose(load_forest(tmp_path / "forest.npz", "kind").scores(fresh), expected, atol=1e-5)


def test_a_tree_by_hand() -> None:
    """At 0.5 or below to the left, above to the right; missing to where the tree says."""
    ints = (np.array(values, dtype=np.int32) for values in ([0], [0], [1, -1, -1], [1, 0, 0], [2, 0, 0]))
    root, output, feature, left, right = ints
    missing = np.array([False, False, False])
    tree = Forest(root, output, feature, np.array([0.5, -1.0, 2.0]), left, right, missing, np.array([0.25]))
    rows = np.array([[9.0, 0.5], [9.0, 0.51], [9.0, np.nan]])
    assert tree.scores(rows)[:, 0].tolist() == [-0.75, 2.25, 2.25]
