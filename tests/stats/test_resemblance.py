"""Do students resemble their own teachers?"""

import numpy as np
import pytest

from pipeline.stats.resemblance import Links, link_weights, resemblance, residuals


def world(rng, *, pairs, influence, teachers=None):
    teachers = teachers or max(pairs // 3, 2)
    born_teacher = rng.uniform(1840, 1890, teachers)
    of = rng.integers(0, teachers, pairs)
    born = np.r_[born_teacher, born_teacher[of] + rng.uniform(14, 40, pairs)]
    own = rng.normal(size=teachers)
    student = influence * own[of] + np.sqrt(1 - influence**2) * rng.normal(size=pairs)
    logs = 0.5 * np.r_[own, student] + 0.25 * rng.normal(size=born.size) - 0.022 * (born - 1870)
    size = born.size
    return Links(np.arange(teachers, size), of, np.ones(pairs), born, np.full(size, -1)), logs


def test_residuals_have_no_trend_and_keep_gaps():
    rng = np.random.default_rng(1)
    born = rng.uniform(1840, 1900, 30)
    logs = 1 - 0.02 * (born - 1870) + 0.1 * rng.normal(size=30)
    logs[3], born[7] = np.nan, np.nan
    made = residuals(logs, born)
    assert np.isnan(made[[3, 7]]).all()
    assert np.isfinite(np.delete(made, [3, 7])).all()
    known = np.isfinite(made)
    assert made[known].sum() == pytest.approx(0, abs=1e-9)
    assert made[known] @ born[known] == pytest.approx(0, abs=1e-6)


def test_with_one_teacher_for_each_age_class_p_is_one():
    born = np.r_[1800, 1850, 1900, np.repeat([1825, 1875, 1925], 12)].astype(float)
    teachers = np.repeat([0, 1, 2], 12)
    links = Links(np.arange(3, 39), teachers, np.ones(36), born, np.full(39, -1))
    made = resemblance(links, np.random.default_rng(1).normal(size=39), seed=(1,))
    assert made.p == 1.0


def test_chains_reach_all_assignments_alike():
    # Anyone may teach anyone: then the chains must end in assignments drawn evenly from the pool of teachers.
    rng = np.random.default_rng(3)
    r = rng.normal(size=35)
    r[5:] = r[5:] * 0.3
    r[5:10] += r[:5]
    born = np.r_[np.full(5, 1850.0), np.full(30, 1880.0)]
    # 30 students, since fewer get no p, of whom only the first five weigh anything.
    teachers = np.r_[np.arange(5), np.zeros(25, dtype=int)]
    weights = np.r_[np.ones(5), np.full(25, 1e-9)]
    links = Links(np.arange(5, 35), teachers, weights, born, np.full(35, -1))
    made = resemblance(links, r, seed=(1,), chains=3999)
    # Which teacher the weighed five get: five drawn from a pool of 26 times teacher 0 and once each of the others.
    pool = teachers
    sums = []
    for _ in range(20_000):
        at = rng.permutation(pool)[:5]
        by = np.bincount(at, r[5:10], minlength=5)
        sums.append((r[at] @ r[5:10], (by**2).sum()))
    sums = np.array(sums)
    own = np.array([r[:5] @ r[5:10], (r[5:10] ** 2).sum()])
    total = ((sums - sums.mean(axis=0)) / sums.std(axis=0)).sum(axis=1)
    exact = (total >= ((own - sums.mean(axis=0)) / sums.std(axis=0)).sum()).mean()
    assert made.p == pytest.approx(exact, abs=0.02)


def test_places_and_ages_limit_the_candidates():
    born = np.array([1850.0, 1850, 1880, 1880, 1855])
    places = np.array([0, 1, 0, 1, 0])
    links = Links(np.array([2, 3]), np.array([0, 1]), np.ones(2), born, places)
    r = np.random.default_rng(1).normal(size=5)
    assert resemblance(links, r, seed=(1,)).candidates == 1.0
    anywhere = Links(links.students, links.teachers, links.weights, born, np.full(5, -1))
    assert resemblance(anywhere, r, seed=(1,)).candidates == 2.0
    # A student five years younger has only the own teacher.
    near = Links(np.array([4, 3]), np.array([0, 1]), np.ones(2), born, np.full(5, -1))
    assert resemblance(near, r, seed=(1,)).candidates == 1.5


def test_several_teachers_share_a_weight():
    assert link_weights(["a", "a", "b"], ["certain", "probable", "probable"]) == pytest.approx([4 / 7, 3 / 7, 0.75])
    # No student is ever given the same teacher twice: two students with the same two teachers can only keep them.
    born = np.r_[1850.0, 1851, np.full(16, 1880)]
    students = np.repeat(np.arange(2, 18), 2)
    links = Links(students, np.tile([0, 1], 16), np.full(32, 0.5), born, np.full(18, -1))
    assert resemblance(links, np.random.default_rng(1).normal(size=18), seed=(1,)).p == 1.0


def test_few_pairs_get_no_p_but_what_they_could_show():
    links, logs = world(np.random.default_rng(2), pairs=12, influence=0.5)
    made = resemblance(links, residuals(logs, links.born), seed=(1,))
    assert made.p is None
    assert made.pairs == 12
    assert 0.05 < made.power < 0.5
    nobody = Links(*(np.empty(0, dtype=int),) * 2, np.empty(0), links.born, links.places)
    assert resemblance(nobody, logs, seed=(1,)).pairs == 0


@pytest.mark.slow
def test_false_alarms_and_power_are_as_stated():
    found = {}
    for influence in (0.0, 0.7):
        made = [
            resemblance(links, residuals(logs, links.born), seed=(seed,), chains=399).p <= 0.05
            for seed in range(120)
            for links, logs in [
                world(np.random.default_rng([seed, int(10 * influence)]), pairs=30, influence=influence)
            ]
        ]
        found[influence] = np.mean(made)
    assert found[0.0] <= 0.11  # three standard errors above .05
    assert found[0.7] >= 0.7
