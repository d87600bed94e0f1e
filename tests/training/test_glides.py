"""What the second look is learned from: answers that agree with the plan."""

import numpy as np
import pytest

from pipeline.signal.line.between import COLUMNS, PLANES
from pipeline.signal.line.glide_network import judge
from pipeline.training.glides import NOT_KNOWN, Examples, Job, examples_for, forward, fresh_weights, joined, recall_at


@pytest.fixture(scope="module")
def examples() -> Examples:
    return examples_for(Job("violin", 3))


def test_answers_agree_with_the_plan(examples: Examples) -> None:
    assert examples.rows.shape == (examples.length.sum(), COLUMNS, PLANES)
    assert examples.glide.any()
    assert not examples.glide.all()
    rows_of = np.split(np.arange(examples.length.sum()), np.cumsum(examples.length)[:-1])
    for rows, glide in zip(rows_of, examples.glide, strict=True):
        known = examples.column[rows][examples.column[rows] != NOT_KNOWN]
        assert ((known >= 0) & (known <= COLUMNS)).all()
        if glide:
            assert examples.sliding[rows].any()
    # The pitch of a row in a slide sounds in the view: it stands out of its row.
    sounding = examples.sliding & (examples.column >= 0) & (examples.column < COLUMNS)
    heard = examples.rows[sounding, :, :6].astype(np.float64).sum(axis=2)
    own = np.take_along_axis(heard, examples.column[sounding, None].astype(int), axis=1)[:, 0]
    assert np.mean(own > np.median(heard, axis=1)) > 0.8


def test_sides_are_joined_in_their_order(examples: Examples) -> None:
    parts = [examples, examples]
    both = joined(parts)
    assert parts == []
    np.testing.assert_array_equal(both.rows[len(examples.rows) :], examples.rows)
    assert both.length.size == 2 * examples.length.size


def test_recall_at_a_precision() -> None:
    score = np.array([0.9, 0.8, 0.7, 0.6, 0.5])
    true = np.array([True, True, False, True, False])
    assert recall_at(score, true, precision=0.9) == pytest.approx(2 / 3)
    assert recall_at(score, true, precision=0.75) == 1.0
    assert recall_at(score, np.zeros(5, dtype=bool), precision=0.9) == 0.0


def test_what_is_learned_is_what_is_used() -> None:
    torch = pytest.importorskip("torch")
    p = fresh_weights()
    rng = np.random.default_rng(1)
    views = [rng.normal(size=(n, COLUMNS, PLANES + 2)).astype(np.float32) for n in (22, 48)]
    x, there = np.zeros((2, 48, COLUMNS, PLANES + 2), dtype=np.float32), np.zeros((2, 48), dtype=bool)
    for k, view in enumerate(views):
        x[k, : len(view)], there[k, : len(view)] = view, True
    odds, local, ways = forward(
        torch, {n: torch.from_numpy(v) for n, v in p.items()}, torch.from_numpy(x), torch.from_numpy(there)
    )
    for k, one in enumerate(judge(views, p)):
        n = len(views[k])
        np.testing.assert_allclose(one.gliding, torch.sigmoid(odds[k] + local[k, :n]).numpy(), atol=1e-5)
        np.testing.assert_allclose(one.way, ways[k, :n].softmax(1).numpy(), atol=1e-5)
