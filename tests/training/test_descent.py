"""How networks learn: the gradient against finite differences, and a rule that can be learned."""

import numpy as np
import pytest

from pipeline.training import descent
from pipeline.training.descent import Examples, gradients, joined


def made(n: int, *, seed: int) -> Examples:
    """Frames of 1 to 7 candidates; the right one has the highest sum of features, none where that is negative."""
    rng = np.random.default_rng(seed)
    count = rng.integers(1, 8, n)
    features = rng.normal(size=(int(count.sum()), 9)).astype(np.float16)
    score = features[:, :3].astype(float).sum(axis=1)
    first = np.cumsum(count) - count
    frames = [(score[a : a + c], c) for a, c in zip(first, count, strict=True)]
    answer = [int(np.argmax(own)) if own.max() > 0 else c for own, c in frames]
    return Examples(features, count, np.array(answer))


def test_the_gradient_is_that_of_the_cross_entropy():
    examples = made(40, seed=1)
    rng = np.random.default_rng(2)
    p = {"w1": rng.normal(0, 0.4, (9, 5)), "b1": rng.normal(0, 0.1, 5), "w2": rng.normal(0, 0.4, (5, 4))}
    p |= {"b2": rng.normal(0, 0.1, 4), "w3": rng.normal(0, 0.4, 4), "silence": np.array([0.2])}
    batch = np.arange(40)
    first = np.cumsum(examples.count) - examples.count

    def cost() -> float:
        return gradients(examples, batch, first, p, np.random.default_rng(0), 0.0)[0]

    found = gradients(examples, batch, first, p, np.random.default_rng(0), 0.0)[1]
    for name, value in p.items():
        flat, slope = value.reshape(-1), found[name].reshape(-1)
        for i in rng.permutation(flat.size)[:4]:
            kept = flat[i]
            flat[i] = kept + 1e-4
            high = cost()
            flat[i] = kept - 1e-4
            low = cost()
            flat[i] = kept
            assert (high - low) / 2e-4 == pytest.approx(slope[i], abs=2e-3)


def test_a_rule_is_learned(monkeypatch):
    monkeypatch.setattr(descent, "BATCH", 64)
    _, loss = descent.trained(made(4000, seed=3), hidden=(16, 8), spread=0.0, seed=4, epochs=8)
    # The rule is exact: what is left is the border between the classes. Guessing costs 1.4.
    assert loss < 0.35


def test_examples_are_joined_in_order():
    parts = [made(5, seed=k) for k in range(3)]
    whole = joined(list(parts))
    assert np.array_equal(whole.features, np.concatenate([part.features for part in parts]))
    assert np.array_equal(whole.answer, np.concatenate([part.answer for part in parts]))
