"""Own marks against finds, checked against mir_eval (Raffel et al., ISMIR 2014)."""

from itertools import permutations

import mir_eval
import numpy as np
import pytest

from pipeline.stats.marks import Tolerances, differences, f_measure, match


def scene(rng, number):
    """Marks, and finds that miss some of them, add some, and are off by up to 150 ms."""
    starts = np.sort(rng.uniform(0, 0.25 * number, number))
    marks = np.stack([starts, starts + rng.uniform(0.05, 0.6, number)], axis=1)
    kept = marks[rng.random(number) < 0.8]
    finds = np.sort(kept + rng.uniform(-0.15, 0.15, kept.shape), axis=1) + np.array([0.0, 0.001])
    more = rng.uniform(0, 0.25 * number, max(1, number // 5))
    return marks, np.concatenate([np.maximum(finds, 0), np.stack([more, more + 0.2], axis=1)])


@pytest.mark.parametrize("seed", range(30))
def test_as_many_pairs_as_mir_eval_by_start_by_end_and_by_both(seed):
    rng = np.random.default_rng(seed)
    marks, finds = scene(rng, int(rng.integers(1, 60)))
    transcription = mir_eval.transcription

    pairs = match(marks, finds, tolerances=Tolerances(0.05, np.inf, 0.0))
    precision, recall, f = transcription.onset_precision_recall_f1(marks, finds, onset_tolerance=0.05)
    assert (len(pairs) / len(finds), len(pairs) / len(marks)) == pytest.approx((precision, recall))
    assert f_measure(precision, recall) == pytest.approx(f)

    pairs = match(marks, finds, tolerances=Tolerances(np.inf, 0.05, 0.2))
    precision, recall, _ = transcription.offset_precision_recall_f1(marks, finds, offset_min_tolerance=0.05)
    assert (len(pairs) / len(finds), len(pairs) / len(marks)) == pytest.approx((precision, recall))

    pairs = match(marks, finds, tolerances=Tolerances(0.1, 0.05, 0.2))
    same_pitch = np.full(len(marks), 440.0), np.full(len(finds), 440.0)
    precision, recall, _, _ = transcription.precision_recall_f1_overlap(
        marks, same_pitch[0], finds, same_pitch[1], onset_tolerance=0.1, offset_ratio=0.2, offset_min_tolerance=0.05
    )
    assert (len(pairs) / len(finds), len(pairs) / len(marks)) == pytest.approx((precision, recall))


@pytest.mark.parametrize("seed", range(20))
def test_most_pairs_then_least_apart_as_by_trying_every_pairing(seed):
    rng = np.random.default_rng([7, seed])
    marks = np.sort(rng.uniform(0, 0.6, (4, 2)), axis=1)
    finds = np.sort(rng.uniform(0, 0.6, (5, 2)), axis=1)

    def worth(chosen):
        apart = np.abs(marks - finds[list(chosen)]).max(axis=1) <= 0.15
        return apart.sum(), -np.abs(marks - finds[list(chosen)]).sum(axis=1)[apart].sum()

    best = max(worth(chosen) for chosen in permutations(range(5), 4))
    pairs = match(marks, finds, tolerances=Tolerances(0.15, 0.15, 0.0))
    assert len(pairs) == best[0]
    assert -np.abs(marks[pairs[:, 0]] - finds[pairs[:, 1]]).sum() == pytest.approx(best[1])
    assert len(set(pairs[:, 0].tolist())) == len(set(pairs[:, 1].tolist())) == len(pairs)


def test_nothing_marked_or_nothing_found_gives_no_pairs():
    some = [[1.0, 1.2]]
    wide = Tolerances(1.0, 1.0, 0.0)
    assert match([], some, tolerances=wide).shape == match(some, [], tolerances=wide).shape == (0, 2)
    assert np.isnan(differences([], []).median_s)
    assert f_measure(0.0, 0.0) == 0.0
    assert np.isnan(f_measure(np.nan, 0.5))


def test_a_tolerance_holds_what_lies_on_it():
    assert len(match([[1.0, 1.3]], [[1.1, 1.4]], tolerances=Tolerances(0.1, 0.1, 0.0))) == 1
    assert len(match([[1.0, 1.3]], [[1.1002, 1.4]], tolerances=Tolerances(0.1, 0.1, 0.0))) == 0


def test_differences_are_positive_where_finds_are_late():
    made = differences([1.0, 2.0, 3.0], [1.02, 2.03, 2.99])
    assert (made.median_s, made.low_s, made.high_s) == pytest.approx((0.02, 0.005, 0.025))
