"""What listeners' answers say if no listener is taken for the truth."""

import numpy as np
import pytest

from pipeline.stats.latent_class import Answers, latent_class


def answers(rng, *, hears, imagines, finds=200, changes=400, precise=0.95, missed=0.02, listeners=2):
    truth = np.r_[rng.random(finds) < precise, rng.random(changes) < missed]
    heard = np.where(
        truth[:, None], rng.random((truth.size, listeners)) < hears, rng.random((truth.size, listeners)) < imagines
    )
    groups = np.r_[np.zeros(finds, dtype=int), np.ones(changes, dtype=int)]
    return Answers(heard.astype(float), groups), truth


def test_perfect_listeners_are_believed():
    given, truth = answers(np.random.default_rng(1), hears=1.0, imagines=0.0)
    made = latent_class(given, seed=(1,), replicates=50)
    assert made.chance[:200].mean() == pytest.approx(truth[:200].mean(), abs=0.004)
    assert made.chance[200:].mean() == pytest.approx(truth[200:].mean(), abs=0.004)
    assert ((made.chance > 0.5) == truth).all()
    assert made.shares.shape == (50, 2)
    assert made.truths.shape == (50, 600)
    assert (made.shares.std(axis=0) > 0).all()


def test_two_imperfect_listeners_find_the_shares_that_one_overstates():
    one, two = [], []
    for seed in range(40):
        given, truth = answers(np.random.default_rng([2, seed]), hears=0.9, imagines=0.03)
        per_find = truth[:200].mean() + 20 * truth[200:].mean()
        made = latent_class(given, seed=(1,), replicates=20)
        two.append((made.chance[:200].mean() + 20 * made.chance[200:].mean()) / per_find)
        one.append((given.heard[:200, 0].mean() + 20 * given.heard[200:, 0].mean()) / per_find)
    assert np.median(one) > 1.25
    assert np.median(two) == pytest.approx(1.0, abs=0.06)


def test_cannot_tell_leaves_the_other_answers():
    given, truth = answers(np.random.default_rng(3), hears=0.95, imagines=0.02)
    gaps = given.heard.copy()
    gaps[::7, 1] = np.nan
    made = latent_class(Answers(gaps, given.groups), seed=(1,), replicates=50)
    assert made.chance[:200].mean() == pytest.approx(truth[:200].mean(), abs=0.03)
    assert made.chance[200:].mean() == pytest.approx(truth[200:].mean(), abs=0.03)
    gaps[:, 1] = np.nan
    assert latent_class(Answers(gaps, given.groups), seed=(1,)) is None
