"""Does a student resemble the own teacher more than others who could have taught then?

Rates fall from generation to generation with birth date alone, so raw likeness of student and teacher proves nothing
(30 pairs without any influence correlate "significantly" in .36 of worlds). Asked of residuals: logarithms of rates
less what birth (and the mean date) predicts. Two statistics, summed after each is standardised: S1, the sum over links
of student times teacher, and S2, the sum over teachers of the squared sum of their students (fellow students, which
works where the teacher never recorded). Null distribution: teachers are exchanged between students by random swaps in
which each stays a possible teacher (12 to 45 years older, and in the same place where that is stated), so that every
teacher keeps the number of students; p = (1 + #{S* >= S}) / (B + 1) (Besag and Clifford, Biometrika 76, 1989).

Not shown by any of it: teaching against choosing a like-minded teacher or a shared town.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse

from pipeline.counted import short_of
from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
CHAINS = 1999  # p is good to .005 at .05
LEAST_AGE_APART, MOST_AGE_APART = 12.0, 45.0  # years between a teacher and a student (common practice, no source)
LEAST_PAIRS_FOR_P = 30
"""Judgement: with 10 pairs a strong influence (.7) is found in a quarter of worlds, with 30 in .86."""
WEIGHTS = {"certain": 1.0, "probable": 0.75, "possible": 0.5}
"""What a link weighs by its certainty (judgement); a student's links are scaled to sum to 1 at most."""
_SWAPS_PER_LINK = 6  # so that a tree is as good as drawn anew (common practice, no source)
_WORLDS = 400  # draws, for the spread
_AT_ONCE = 2_000_000  # swaps looked at together, for the sake of memory
# Error of measurement of the residuals in the worlds of ``power``, as a share of their spread (as simulated).
_ERROR = 0.5


@dataclass(frozen=True)
class Links:
    """Who was taught by whom.

    Attributes
    ----------
    students, teachers : numbers of persons, shape (links,); a pair at most once.
    weights : shape (links,), see ``link_weights``.
    born : year of each person's birth, NaN if unknown, shape (persons,).
    places : number of each person's place, -1 if not stated, shape (persons,).
    """

    students: Ints
    teachers: Ints
    weights: Floats
    born: Floats
    places: Ints


@dataclass(frozen=True)
class Resemblance:
    """``resemblance`` is the weighted mean product of student's and teacher's residuals over the residuals' variance.

    ``p`` is None below 30 pairs. ``candidates`` is the mean number of possible teachers, the own one counted, of each
    link; ``power`` the share of worlds in which an influence of half strength (correlation .5) would be found.
    """

    pairs: int
    teachers: int
    resemblance: float | None
    p: float | None
    candidates: float
    power: float


def enough_pairs(pairs: int) -> bool:
    """Whether so many pairs of teacher and student, of whatever likeness, are given a p value."""
    return pairs >= LEAST_PAIRS_FOR_P


def pairs_warning(pairs: int) -> str | None:
    """That there is no p value, where pairs are too few."""
    return None if enough_pairs(pairs) else short_of(pairs, LEAST_PAIRS_FOR_P, "pair", "a p value")


def link_weights(students: npt.ArrayLike, certainty: npt.ArrayLike) -> Floats:
    """Weight of each link: by its certainty; those of a student's several teachers sum to 1 at most."""
    of = np.unique(np.asarray(students), return_inverse=True)[1]
    own = np.array([WEIGHTS[each] for each in np.asarray(certainty).tolist()], dtype=np.float64)
    return own / np.maximum(np.bincount(of, own), 1.0)[of] if own.size else own


def residuals(log_rates: npt.ArrayLike, born: npt.ArrayLike, recorded: npt.ArrayLike | None = None) -> Floats:
    """Log rates less their straight-line dependence on birth (and the mean recording date), shape (persons,).

    NaN where a person has no rate or date. With fewer than five persons a term is left out.
    """
    y = np.asarray(log_rates, dtype=np.float64)
    terms = [np.asarray(x, dtype=np.float64) for x in (born, recorded) if x is not None]
    used = np.isfinite(y) & np.isfinite(np.stack(terms)).all(axis=0)
    made = np.full(y.size, np.nan)
    if not used.any():
        return made
    kept = [x[used] - x[used].mean() for x in terms if used.sum() >= 5 and np.ptp(x[used]) > 0]
    design = np.column_stack([np.ones(int(used.sum())), *kept])
    made[used] = y[used] - design @ np.linalg.lstsq(design, y[used], rcond=None)[0]
    return made


def resemblances(
    links: Links, residuals_of: Sequence[npt.ArrayLike], *, seed: tuple[int, ...], chains: int = CHAINS
) -> list[Resemblance]:
    """Test whether students resemble their own teachers, in each of several rates.

    Rates of the same students are set against the same exchanges, which are the costly part.

    Parameters
    ----------
    residuals_of : for each rate the residual of each person, NaN where there is none, shape (persons,).
    """
    made: list[Resemblance] = []
    shared: dict[bytes, tuple[_Exchanged, float]] = {}
    for given in residuals_of:
        r = np.asarray(given, dtype=np.float64)
        own = _of_known(links, r)
        if own.students.size == 0:
            made.append(Resemblance(0, 0, None, None, 0.0, 0.0))
            continue
        whose = np.isfinite(r)
        if whose.tobytes() not in shared:
            exchanged = _exchanged(own, np.random.default_rng([*seed, 0]), chains)
            shared[whose.tobytes()] = exchanged, _power(exchanged, whose, np.random.default_rng([*seed, 1]))
        made.append(_resemblance(r, *shared[whose.tobytes()]))
    return made


def resemblance(links: Links, residual: npt.ArrayLike, *, seed: tuple[int, ...], chains: int = CHAINS) -> Resemblance:
    """``resemblances`` of one rate."""
    return resemblances(links, [residual], seed=seed, chains=chains)[0]


@dataclass(frozen=True)
class _Exchanged:
    """Links with their teachers exchanged.

    Attributes
    ----------
    links : those whose student has a residual.
    names : numbers of the teachers, shape (teachers,).
    drawn : place in ``names`` of the teacher of each link, as it is and at the end of each chain, shape
        (chains + 1, links).
    candidates : mean number of possible teachers of a link.
    """

    links: Links
    names: Ints
    drawn: npt.NDArray[np.int32]
    candidates: float


def _resemblance(r: Floats, exchanged: _Exchanged, power: float) -> Resemblance:
    links = exchanged.links
    known = np.isfinite(r[links.teachers])
    products = links.weights * np.nan_to_num(r[links.students] * r[links.teachers])
    spread = float(np.nanvar(r))
    mean = float(products.sum() / links.weights[known].sum() / spread) if known.any() and spread > 0 else None
    return Resemblance(
        pairs=links.students.size,
        teachers=exchanged.names.size,
        resemblance=mean,
        p=float(_p_values(exchanged, r[:, None])[0]) if enough_pairs(links.students.size) else None,
        candidates=exchanged.candidates,
        power=power,
    )


def _of_known(links: Links, r: Floats) -> Links:
    """Links whose student has a residual."""
    kept = np.isfinite(r[links.students])
    return Links(links.students[kept], links.teachers[kept], links.weights[kept], links.born, links.places)


def _exchanged(links: Links, rng: np.random.Generator, chains: int) -> _Exchanged:
    """Random swaps of teachers between links, in rounds.

    In each round one link of every student is taken and these are paired at random, for all chains alike; each chain
    swaps the teachers of a pair with chance one half, if both may teach there and neither student has the other's
    teacher already. So every swap is as likely as its reverse, whatever the other pairs do.
    """
    names, own = np.unique(links.teachers, return_inverse=True)
    allowed = _allowed(links, names)
    state = np.repeat(own.astype(np.int32)[:, None], chains, axis=1)
    siblings = _siblings(links.students)
    of = np.unique(links.students, return_inverse=True)[1]
    pairs = (int(of.max()) + 1) // 2
    # Half of what is proposed is left undone by chance.
    for _ in range(-(-2 * _SWAPS_PER_LINK * of.size // pairs) if pairs else 0):
        mixed = rng.permutation(of.size)
        active = mixed[np.unique(of[mixed], return_index=True)[1]]
        paired = rng.permutation(active)[: 2 * pairs]
        for part in np.array_split(np.arange(pairs), -(-pairs * chains // _AT_ONCE)):
            i, j = paired[part], paired[pairs + part]
            at_i, at_j = state[i], state[j]
            swap = rng.integers(0, 2, at_i.shape, dtype=np.int8).astype(bool)
            swap &= allowed[i[:, None], at_j] & allowed[j[:, None], at_i]
            for link, incoming in ((i, at_j), (j, at_i)):
                for other in siblings[:, link]:
                    swap &= (state[other] != incoming) | (other == link)[:, None]
            state[i], state[j] = np.where(swap, at_j, at_i), np.where(swap, at_i, at_j)
    drawn = np.vstack([own.astype(np.int32), state.T])
    taught = np.bincount(own)
    return _Exchanged(links, names, drawn, float((allowed @ taught).mean()))


def _allowed(links: Links, names: Ints) -> npt.NDArray[np.bool_]:
    """Whether each teacher (column) could have taught the student of each link (row); own ones always."""
    older = links.born[links.students][:, None] - links.born[names][None, :]
    student_place, teacher_place = links.places[links.students], links.places[names]
    apart = (student_place[:, None] != teacher_place) & (student_place[:, None] >= 0) & (teacher_place >= 0)
    made = (older >= LEAST_AGE_APART) & (older <= MOST_AGE_APART) & ~apart
    made &= links.students[:, None] != names
    made |= links.teachers[:, None] == names
    return np.asarray(made)


def _siblings(students: Ints) -> Ints:
    """Other links of the same student, shape (most, links), filled with the link itself."""
    order = np.argsort(students, kind="stable")
    _, first, count = np.unique(students[order], return_index=True, return_counts=True)
    rank = np.empty(students.size, dtype=np.intp)
    rank[order] = np.arange(students.size) - np.repeat(first, count)
    start, size = (np.repeat(x, count)[np.argsort(order)] for x in (first, count))
    steps = np.arange(1, int(count.max(initial=1)))[:, None]
    return np.where(steps < size, order[start + (rank + steps) % size], np.arange(students.size))


def _p_values(exchanged: _Exchanged, r: Floats, *, chains: int | None = None) -> Floats:
    """p of each world's residuals r (persons, worlds), against so many of the chains (all); shape (worlds,)."""
    links, drawn = exchanged.links, exchanged.drawn[: None if chains is None else chains + 1]
    filled = np.nan_to_num(r)
    teacher, student = filled[exchanged.names], filled[links.students] * links.weights[:, None]
    each = np.arange(links.students.size + 1)
    ones = np.ones(links.students.size)
    likeness, fellows = np.empty((2, drawn.shape[0], r.shape[1]))
    for chain, of in enumerate(drawn):
        # What the students of each teacher make together: S1 is its product with the teacher, S2 with itself.
        together = sparse.csc_array((ones, of, each), shape=(exchanged.names.size, ones.size)) @ student
        likeness[chain], fellows[chain] = (teacher * together).sum(axis=0), (together**2).sum(axis=0)
    total = _standardised(likeness) + _standardised(fellows)
    return np.asarray((1 + (total[1:] >= total[0] - 1e-12).sum(axis=0)) / total.shape[0])


def _standardised(values: Floats) -> Floats:
    """Each column less its mean, over its spread; 0 where all are alike."""
    spread = values.std(axis=0)
    alike = spread <= 1e-12 * np.maximum(1.0, np.abs(values).max(axis=0))
    return np.asarray(np.where(alike, 0.0, (values - values.mean(axis=0)) / np.where(alike, 1.0, spread)))


def _power(exchanged: _Exchanged, has_residual: npt.NDArray[np.bool_], rng: np.random.Generator) -> float:
    """Share of worlds with influence .5 in which p <= .05, with these links, people and chains.

    Teachers come before their students by birth; a student is half the weighted mean of the teachers and otherwise new.
    """
    strength = 0.5
    links = exchanged.links
    true = rng.normal(size=(links.born.size, _WORLDS))
    order = np.lexsort((links.students, links.born[links.students]))
    first = np.unique(links.students[order], return_index=True)[1]
    for at in np.split(order, np.sort(first)[1:]):
        student, w = links.students[at[0]], links.weights[at]
        mean = (w[:, None] * true[links.teachers[at]]).sum(axis=0) / np.sqrt((w**2).sum())
        true[student] = strength * mean + np.sqrt(1 - strength**2) * true[student]
    seen = true + _ERROR * rng.normal(size=true.shape)
    seen[~has_residual] = np.nan
    return float((_p_values(exchanged, seen, chains=_WORLDS - 1) <= 0.05).mean())
