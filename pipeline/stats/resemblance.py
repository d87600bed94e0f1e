"""Does a pupil resemble the own teacher more than others who could have taught then?

Rates fall from generation to generation with birth date alone, so raw likeness of pupil and teacher proves nothing (30
pairs without any influence correlate "significantly" in .36 of worlds). Asked of residuals: logarithms of rates less
what birth (and the mean date) predicts. Two statistics, summed after each is standardised: S1, the sum over links of
pupil times teacher, and S2, the sum over teachers of the squared sum of their pupils (fellow pupils, which works where
the teacher never recorded). Null distribution: teachers are exchanged between pupils by random swaps in which each
stays a possible teacher (12 to 45 years older, and in the same place where that is stated), so that every teacher keeps
the number of pupils; p = (1 + #{S* >= S}) / (B + 1) (Besag and Clifford, Biometrika 76, 1989).

Not shown by any of it: teaching against choosing a like-minded teacher or a shared town.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
CHAINS = 1999  # p is good to .005 at .05
LEAST_AGE_APART, MOST_AGE_APART = 12.0, 45.0  # years between a teacher and a pupil (common practice, no source)
LEAST_PAIRS_FOR_P = 30
"""Judgement: with 10 pairs a strong influence (.7) is found in a quarter of worlds, with 30 in .86."""
WEIGHTS = {"certain": 1.0, "probable": 0.75, "possible": 0.5}
"""What a link weighs by its certainty (judgement); a pupil's links are scaled to sum to 1 at most."""
_SWAPS_PER_LINK = 6  # so that a tree is as good as drawn anew (common practice, no source)
_WORLDS = 400  # draws, for the spread
# Error of measurement of the residuals in the worlds of ``power``, as a share of their spread (as simulated).
_ERROR = 0.5


@dataclass(frozen=True)
class Links:
    """Who was taught by whom.

    Attributes
    ----------
    pupils, teachers : numbers of persons, shape (links,); a pair at most once.
    weights : shape (links,), see ``link_weights``.
    born : year of each person's birth, NaN if unknown, shape (persons,).
    places : number of each person's place, -1 if not stated, shape (persons,).
    """

    pupils: Ints
    teachers: Ints
    weights: Floats
    born: Floats
    places: Ints


@dataclass(frozen=True)
class Resemblance:
    """``resemblance`` is the weighted mean product of pupil's and teacher's residuals over the residuals' variance.

    ``p`` is None below 30 pairs. ``candidates`` is the mean number of possible teachers, the own one counted, of each
    link; ``power`` the share of worlds in which an influence of half strength (correlation .5) would be found.
    """

    pairs: int
    teachers: int
    resemblance: float | None
    p: float | None
    candidates: float
    power: float


def link_weights(pupils: npt.ArrayLike, certainty: npt.ArrayLike) -> Floats:
    """Weight of each link: by its certainty, shared among a pupil's several teachers so that they sum to 1 at most."""
    of = np.unique(np.asarray(pupils), return_inverse=True)[1]
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


def resemblance(links: Links, residual: npt.ArrayLike, *, seed: tuple[int, ...], chains: int = CHAINS) -> Resemblance:
    """Test whether pupils resemble their own teachers.

    Parameters
    ----------
    residual : of each person, NaN where there is none, shape (persons,).
    """
    r = np.asarray(residual, dtype=np.float64)
    links = _of_known(links, r)
    count = links.pupils.size
    if count == 0:
        return Resemblance(0, 0, None, None, 0.0, 0.0)
    allowed = _allowed(links)
    drawn = _chains(links, allowed, np.random.default_rng([*seed, 0]), chains)
    p = _p_values(links, drawn, r[:, None])[0]
    known = np.isfinite(r[links.teachers])
    products = links.weights * np.nan_to_num(r[links.pupils] * r[links.teachers])
    spread = float(np.nanvar(r))
    mean = float(products.sum() / links.weights[known].sum() / spread) if known.any() and spread > 0 else None
    return Resemblance(
        pairs=count,
        teachers=int(np.unique(links.teachers).size),
        resemblance=mean,
        p=float(p) if count >= LEAST_PAIRS_FOR_P else None,
        candidates=float(allowed.sum(axis=1).mean()),
        power=_power(links, drawn[: _WORLDS - 1], np.isfinite(r), np.random.default_rng([*seed, 1])),
    )


def _of_known(links: Links, r: Floats) -> Links:
    """Links whose pupil has a residual."""
    kept = np.isfinite(r[links.pupils])
    return Links(links.pupils[kept], links.teachers[kept], links.weights[kept], links.born, links.places)


def _allowed(links: Links) -> npt.NDArray[np.bool_]:
    """Whether the teacher of each link (column) could have taught the pupil of each link (row); own ones always."""
    older = links.born[links.pupils][:, None] - links.born[links.teachers][None, :]
    pupil_place, teacher_place = links.places[links.pupils], links.places[links.teachers]
    apart = (pupil_place[:, None] != teacher_place) & (pupil_place[:, None] >= 0) & (teacher_place >= 0)
    made = (older >= LEAST_AGE_APART) & (older <= MOST_AGE_APART) & ~apart
    made &= links.pupils[:, None] != links.teachers
    made |= links.teachers[:, None] == links.teachers
    return np.asarray(made)


def _chains(links: Links, allowed: npt.NDArray[np.bool_], rng: np.random.Generator, chains: int) -> Ints:
    """Which link's teacher each link has at the end of each chain, shape (chains, links)."""
    count = links.pupils.size
    state = np.tile(np.arange(count), (chains, 1))
    if count < 2:
        return state
    siblings = _siblings(links.pupils)
    every = np.arange(chains)
    for _ in range(_SWAPS_PER_LINK * count):
        i = rng.integers(0, count, chains)
        j = (i + rng.integers(1, count, chains)) % count
        at_i, at_j = state[every, i], state[every, j]
        fine = allowed[i, at_j] & allowed[j, at_i]
        if siblings.shape[1]:
            fine &= ~_has(links, state, siblings, i, at_j) & ~_has(links, state, siblings, j, at_i)
        state[every[fine], i[fine]], state[every[fine], j[fine]] = at_j[fine], at_i[fine]
    return state


def _siblings(pupils: Ints) -> Ints:
    """Other links of the same pupil, shape (links, most), filled with -1."""
    others = [[int(k) for k in np.flatnonzero(pupils == pupil) if k != place] for place, pupil in enumerate(pupils)]
    most = max((len(each) for each in others), default=0)
    return np.array([each + [-1] * (most - len(each)) for each in others], dtype=np.intp).reshape(len(others), most)


def _has(links: Links, state: Ints, siblings: Ints, link: Ints, incoming: Ints) -> npt.NDArray[np.bool_]:
    """Whether another link of the same pupil already has the teacher that would come in."""
    others = siblings[link]
    theirs = links.teachers[np.take_along_axis(state, np.maximum(others, 0), axis=1)]
    return np.asarray(((theirs == links.teachers[incoming][:, None]) & (others >= 0)).any(axis=1))


def _p_values(links: Links, drawn: Ints, r: Floats) -> Floats:
    """p of each world's residuals r (persons, worlds), shape (worlds,)."""
    filled = np.nan_to_num(r)
    pupil = filled[links.pupils] * links.weights[:, None]
    assigned = links.teachers[np.vstack([np.arange(links.pupils.size)[None, :], drawn])]
    names, of = np.unique(links.teachers, return_inverse=True)
    columns = of[np.vstack([np.arange(links.pupils.size)[None, :], drawn])]
    made = np.empty(r.shape[1])
    rows = np.arange(assigned.shape[0])[:, None] * names.size + columns
    for world in range(r.shape[1]):
        own = pupil[:, world]
        likeness = filled[:, world][assigned] @ own
        by_teacher = np.bincount(
            rows.ravel(), np.tile(own, assigned.shape[0]), minlength=assigned.shape[0] * names.size
        )
        fellows = (by_teacher.reshape(-1, names.size) ** 2).sum(axis=1)
        total = _standardised(likeness) + _standardised(fellows)
        made[world] = (1 + (total[1:] >= total[0] - 1e-12).sum()) / total.size
    return made


def _standardised(values: Floats) -> Floats:
    spread = float(values.std())
    return (values - values.mean()) / spread if spread > 1e-12 * max(1.0, float(np.abs(values).max())) else 0 * values


def _power(links: Links, drawn: Ints, has_residual: npt.NDArray[np.bool_], rng: np.random.Generator) -> float:
    """Share of worlds with influence .5 in which p <= .05, with these links, people and chains.

    Teachers come before their pupils by birth; a pupil is half the weighted mean of the teachers and otherwise new.
    """
    strength = 0.5
    persons = links.born.size
    true = rng.normal(size=(persons, _WORLDS))
    involved = np.unique(links.pupils)
    for pupil in involved[np.argsort(links.born[involved], kind="stable")]:
        own = links.pupils == pupil
        w = links.weights[own]
        mean = (w[:, None] * true[links.teachers[own]]).sum(axis=0) / np.sqrt((w**2).sum())
        true[pupil] = strength * mean + np.sqrt(1 - strength**2) * true[pupil]
    seen = true + _ERROR * rng.normal(size=true.shape)
    seen[~has_residual] = np.nan
    return float((_p_values(links, drawn, seen) <= 0.05).mean())
