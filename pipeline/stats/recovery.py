"""How likely a slide of given length and size would have been found on a side, from slides planted in its own sound.

The chance is p = A / (1 + (T / d)^k) for a slide of d ms: A for long ones, half of it at T, steepness k. T moves with
the size and with a step in the glide by effects common to the corpus (the mode, with normal priors). A, T and k of a
side have a posterior on a grid; how sides differ is learned from those of like sound (the prior over the grid by
expectation-maximisation: Laird, JASA 73, 1978, stopped early, which keeps it smooth), and a little from all, so that
sides with few plantings or none lean on the others. Draws for sides without plantings hold what a few planted sides
leave open of the prior (the Bayesian bootstrap: Rubin, Annals of Statistics 9, 1981).

A find stands for 1 / E[p] slides (Horvitz and Thompson, JASA 47, 1952), at most ``GREATEST_WEIGHT``. Its length m is
measured with an error, and since 1 / p rises steeply towards short ones, those measured too short would count for more
than those measured too long count for less. So it stands for (1 + (T / m)^k / E[(d / m)^k]) / A, of which the mean over
the errors is the 1 / p of its true length (as scores are corrected: Nakamura, Biometrika 77, 1990). Draws of the curve
give draws of the true slides per find, with which a rate is corrected as by ``pipeline.stats.detection``.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, sparse, special

from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
PASSES = 10
"""Trial, two sounds with one rate, 20 plantings in a quarter of 120 sides: ratio .992 with 10 and .994 with 30 passes
(300 repeats); of 32 sides with two fifths planted limits cover less with more. A prior worth 60 plantings of all sides
alike gives .86, no better than uncorrected."""
SURE_FROM_MS = 80.0
"""The shortest length that is found with a chance of one half and more on nearly every side (renders)."""
LEAST_CHANCE = 0.05
"""Below it nothing is known of how many there were. Of slides of 150 ms (sd of the log .45), with half found at 85 ms
as in noise, half of 1 % are lost so; with .2 it was 2 %."""
GREATEST_WEIGHT = 1.0 / LEAST_CHANCE  # what a found slide counts at most
REPLICATES = 400  # draws: the error of a limit is 3 % of the width
# The grid of recovery curves: length at which half of the possible are found, share found of the longest, steepness.
HALF_MS = np.geomspace(15.0, 300.0, 22)
AT_MOST = np.array([0.5, 0.65, 0.78, 0.87, 0.93, 0.97, 0.995])
STEEPNESS = np.array([2.5, 4.5, 8.0])
_GRID = np.array([(a, t, k) for a in AT_MOST for t in HALF_MS for k in STEEPNESS])
# What is believed of sides before anything is planted, worth one of all sides: in renders .98 and more of slides of
# 160 ms and longer are found, and half of those of 30 to 120 ms (benchmarks/recovery); of k nothing.
_BELIEF = np.repeat([0.01, 0.02, 0.04, 0.1, 0.2, 0.28, 0.35], HALF_MS.size * STEEPNESS.size)
_BELIEF = _BELIEF * np.exp(-0.5 * (np.log(_GRID[:, 1] / 60.0) / 0.7) ** 2)
_BELIEF /= _BELIEF.sum()
_SIZE_SEMITONES = 3.0
_SCATTER, _SCATTER_WORTH = 0.17, 20.0
"""Of log measured over true length: the standard deviation about 0 in renders (400 slides, there and planted alike),
and how many finds that belief is worth (common practice, no source)."""
_SCATTER_MS = (50.0, 160.0)
"""Lengths that say how measured ones err: of shorter slides those are found that look long, and longer ones are nearly
all found."""
_UNLIKE = 0.25
"""How unlike planted slides may be to those that were there: standard deviation of the log of how many are missed for
each find, common to all sides. In 48 slides rendered and planted the log odds of being missed differ by .06 (standard
error .17), among those of the demo by .2 (.4)."""
_OTHERS = 0.25
"""How many sides' worth is borrowed from sides of any sound: each half moves a ratio of two sounds by another half a
percent towards what was found, and with a tenth limits of few sides cover less (same trial)."""
# Prior spread of the log of T for each doubling of the size, and for a step in the glide.
_EFFECT_SD = np.array([0.2, 0.2])


@dataclass(frozen=True)
class Plantings:
    """Slides planted, or found: shape (n,) each; ``side`` numbers the sides from 0; ``broken``: with a step in it."""

    side: Ints
    duration_ms: Floats
    semitones: Floats
    broken: npt.NDArray[np.bool_]

    def moves(self) -> Floats:
        """What the effects multiply, shape (n, 2): doublings of the size over three semitones, and the step."""
        size = np.log2(np.maximum(np.abs(self.semitones), 0.25) / _SIZE_SEMITONES)
        return np.stack([size, self.broken.astype(np.float64)], axis=1)

    def of(self, chosen: npt.NDArray[np.bool_] | Ints) -> "Plantings":
        """Some of them."""
        return Plantings(self.side[chosen], self.duration_ms[chosen], self.semitones[chosen], self.broken[chosen])


@dataclass(frozen=True)
class Curves:
    """What is known of every side's curve.

    Attributes
    ----------
    posterior : of each side over the grid, shape (sides, cells).
    effects : on the log of T, shape (2,).
    told : the same as the posterior, but 0 where nothing was planted, so that it sums to what sides say of each other.
    groups : number of the sound of each side, shape (sides,); sides of one sound are taken to be alike.
    scatter : E[(true / measured length)^k] of finds, for each steepness k of the grid, shape (3,); 1 where lengths are
        measured without an error.
    """

    posterior: Floats
    effects: Floats
    told: Floats
    groups: Ints
    scatter: Floats

    def chance(self, slides: Plantings) -> Floats:
        """Posterior mean of the chance that each slide is found, shape (n,)."""
        return np.asarray((self.posterior[slides.side] * _chances(slides, self.effects)).sum(axis=1))

    def limits(self, slides: Plantings, *, level: float = 0.95) -> tuple[Floats, Floats]:
        """Limits of that chance."""
        chances = _chances(slides, self.effects)
        order = np.argsort(chances, axis=1)
        mass = np.cumsum(np.take_along_axis(self.posterior[slides.side], order, axis=1), axis=1)
        ranked = np.take_along_axis(chances, order, axis=1)

        def quantile(q: float) -> Floats:
            at = np.minimum((mass < q).sum(axis=1), mass.shape[1] - 1)
            return np.asarray(ranked[np.arange(at.size), at])

        return quantile(0.5 - 0.5 * level), quantile(0.5 + 0.5 * level)


def curves(
    plantings: Plantings,
    found: npt.NDArray[np.bool_],
    *,
    measured_ms: Floats | None = None,
    sides: int,
    groups: Ints | None = None,
) -> Curves:
    """The curve of every side; sides without plantings have that of their like.

    Parameters
    ----------
    found : (n,) which plantings were found.
    measured_ms : (n,) lengths as measured, NaN where not found; None if they are measured without an error.
    sides : how many sides there are; numbers of ``plantings.side`` lie below.
    groups : number of the sound of each side, 0 and up, shape (sides,); None if all are alike.
    """
    of = np.zeros(sides, dtype=np.intp) if groups is None else groups
    number = int(of.max()) + 1 if sides else 1
    effects = _effects(plantings, found)
    planting = np.arange(plantings.side.size)
    of_side = sparse.csr_array((np.ones(planting.size), (plantings.side, planting)), shape=(sides, planting.size))
    own = of_side @ _log_likelihood(plantings, found, effects)
    likelihood = np.exp(own - own.max(axis=1, keepdims=True))
    planted = np.zeros(sides)
    planted[plantings.side] = 1.0
    # Sides without plantings tell the others nothing.
    telling = np.flatnonzero(planted)
    alike, apart = of[telling], np.zeros((telling.size, len(_GRID)))
    for _ in range(PASSES):
        apart = likelihood[telling] * _prior(apart, alike, planted[telling], number)[alike]
        apart /= apart.sum(axis=1, keepdims=True)
    each = np.zeros_like(likelihood)
    each[telling] = apart
    # What a side has said itself is no prior of its own.
    share = 1.0 + _OTHERS / (float(planted.sum()) + 1.0)
    posterior = likelihood * np.maximum(_prior(each, of, planted, number)[of] - share * each, 1e-12)
    scatter = np.ones(STEEPNESS.size) if measured_ms is None else _scatter(plantings.duration_ms, measured_ms)
    return Curves(posterior / posterior.sum(axis=1, keepdims=True), effects, each, of, scatter)


def _scatter(true_ms: Floats, measured_ms: Floats) -> Floats:
    """E[(true / measured)^k] for each k of ``STEEPNESS``, the logarithms of the errors taken as normal."""
    used = np.isfinite(measured_ms) & (true_ms > _SCATTER_MS[0]) & (true_ms < _SCATTER_MS[1])
    error = np.log(measured_ms[used] / true_ms[used])
    worth = error.size + _SCATTER_WORTH
    mean = error.sum() / worth
    variance = (((error - mean) ** 2).sum() + _SCATTER_WORTH * _SCATTER**2) / worth
    return np.asarray(np.exp(-STEEPNESS * mean + STEEPNESS**2 * variance / 2))


def _prior(told: Floats, groups: Ints, weights: Floats, number: int) -> Floats:
    """Prior over the grid of each of so many groups, not scaled, shape (..., number, cells): the sides of the group
    with their weights (..., sides), and ``_OTHERS`` sides' worth of all sides and of one more that is as ``_BELIEF``.

    Were the belief a side of each group, wide as it is, it would be a third of what is known of a group without
    plantings, whatever all others say.
    """
    members = [groups == group for group in range(number)]
    made = np.stack([weights[..., own] @ told[own] for own in members], axis=-2)
    everybody = made.sum(axis=-2, keepdims=True) + _BELIEF
    return np.asarray(made + _OTHERS * everybody / everybody.sum(axis=-1, keepdims=True))


def drawn_cells(known: Curves, *, seed: tuple[int, ...], replicates: int = REPLICATES) -> Ints:
    """Draws of each side's curve, as numbers of cells of the grid, shape (replicates, sides)."""
    rng = np.random.default_rng(list(seed))
    sides = known.posterior.shape[0]
    planted = known.told.sum(axis=1) > 0
    drawn = np.empty((replicates, sides), dtype=np.intp)
    for side in np.flatnonzero(planted):
        drawn[:, side] = _picked(np.cumsum(known.posterior[side]), rng.random(replicates))
    number, told, of = int(planted.sum()), known.told[planted], known.groups[planted]
    if number == sides:
        return drawn
    alike = [np.flatnonzero(~planted & (known.groups == group)) for group in range(int(known.groups.max()) + 1)]
    weights, at = np.zeros((replicates, number)), np.empty((replicates, sides))
    for replicate in range(replicates):
        weights[replicate] = number * rng.dirichlet(np.ones(number)) if number else 0.0
        for own in alike:
            at[replicate, own] = rng.random(own.size)
    # For all replicates at once, which is one product of matrices for each group.
    prior = np.cumsum(_prior(told, of, weights, len(alike)), axis=-1)
    for replicate, group in np.ndindex(prior.shape[:2]):
        own = alike[group]
        drawn[replicate, own] = _picked(prior[replicate, group], at[replicate, own])
    return drawn


def _picked(cumulative: Floats, at: Floats) -> Ints:
    return np.asarray(np.minimum(np.searchsorted(cumulative, at * cumulative[-1]), cumulative.size - 1), dtype=np.intp)


# Classes of slides that are found alike, for sums over millions: lengths 7 % apart, sizes, and with a step or without.
CLASS_MS = np.geomspace(15.0, 1500.0, 70)
CLASS_SEMITONES = np.array([1.0, 2.0, 3.0, 4.5, 7.0, 12.0])


def classes(slides: Plantings) -> Ints:
    """Class of each slide, shape (n,)."""
    ms = np.searchsorted(np.sqrt(CLASS_MS[1:] * CLASS_MS[:-1]), slides.duration_ms)
    size = np.searchsorted(np.sqrt(CLASS_SEMITONES[1:] * CLASS_SEMITONES[:-1]), np.abs(slides.semitones))
    return np.asarray((ms * CLASS_SEMITONES.size + size) * 2 + slides.broken, dtype=np.intp)


def class_weights(known: Curves) -> Floats:
    """Slides that were there for each slide found of each class of measured lengths, in each cell of the grid, shape
    (classes, cells)."""
    return np.asarray(1.0 / np.maximum(_class_chances(known), LEAST_CHANCE))


def _class_chances(known: Curves) -> Floats:
    ms, size, broken = (x.ravel() for x in np.meshgrid(CLASS_MS, CLASS_SEMITONES, [False, True], indexing="ij"))
    measured = Plantings(np.zeros(ms.size, dtype=np.intp), ms, size, broken)
    return _chances(measured, known.effects, scatter=known.scatter)


@dataclass(frozen=True)
class Recovered:
    """What each find stands for, as draws.

    A find stands for 1 / E[p] slides, not for E[1 / p]: finds come from the sides on which more is found, and E[p] is
    the chance that a slide on any such side is found. What a draw of 1 / p lies above 1 is scaled to that mean.

    Attributes
    ----------
    cells : of each side's curve, as drawn, shape (replicates, sides).
    weights : 1 / p of each class in each cell, shape (classes, cells).
    mean : slides that a find of each class on each side stands for, shape (classes, sides).
    scale : of what a draw lies above 1, shape (classes, sides).
    unlike : the same for all sides and classes, of mean 1: what plantings do not tell of other slides, shape
        (replicates,).
    """

    cells: Ints
    weights: Floats
    mean: Floats
    scale: Floats
    unlike: Floats

    def there(self, counts: sparse.csr_array, side: Ints) -> Floats:
        """Draws of the slides that were there, shape (n, replicates).

        Parameters
        ----------
        counts : finds of each class, shape (n, classes).
        side : on which they were found, shape (n,).
        """
        held = counts.tocoo()
        row, column = held.coords
        scaled = sparse.csr_array((held.data * self.scale[column, side[row]], (row, column)), shape=counts.shape)
        above = np.take_along_axis(scaled @ (self.weights - 1.0), self.cells.T[side], axis=1) * self.unlike
        return np.asarray(np.asarray(counts.sum(axis=1)).reshape(-1, 1) + above)


def recovered_by(known: Curves, *, seed: tuple[int, ...], replicates: int = REPLICATES) -> Recovered:
    """What finds stand for by the curves of their sides."""
    cells, weights = drawn_cells(known, seed=seed, replicates=replicates), class_weights(known)
    drawn = np.zeros((weights.shape[1], cells.shape[1]))
    np.add.at(drawn, (cells, np.arange(cells.shape[1])), 1.0 / cells.shape[0])
    by_draws = weights @ drawn
    mean = _class_chances(known) @ drawn
    # In place: there is a number for each class on each side.
    np.divide(1.0, np.maximum(mean, LEAST_CHANCE, out=mean), out=mean)
    scale = mean - 1.0
    by_draws -= 1.0
    scale /= np.maximum(by_draws, 1e-12, out=by_draws)
    unlike = np.exp(_UNLIKE * np.random.default_rng([*seed, 1]).standard_normal(replicates))
    return Recovered(cells, weights, mean, scale, unlike / unlike.mean())


def _chances(slides: Plantings, effects: Floats, *, scatter: Floats | None = None) -> Floats:
    """Chance of each slide in each cell of the grid, shape (n, cells); with ``scatter``, of measured lengths."""
    # The powers, which are dear, are the same for every share found at most.
    _, t, k = _GRID[: HALF_MS.size * STEEPNESS.size].T
    scaled = slides.duration_ms / np.exp(slides.moves() @ effects)
    rise = (t / scaled[:, None]) ** k
    if scatter is not None:
        rise /= np.tile(scatter, HALF_MS.size)
    below = 1.0 + rise
    return np.asarray((AT_MOST[:, None] / below[:, None, :]).reshape(scaled.size, -1))


def _log_likelihood(plantings: Plantings, found: npt.NDArray[np.bool_], effects: Floats) -> Floats:
    # In place: there is a number for each planting in each cell.
    p = _chances(plantings, effects)
    np.subtract(1.0, p, out=p, where=~found[:, None])
    return np.log(p, out=p)


def _effects(plantings: Plantings, found: npt.NDArray[np.bool_]) -> Floats:
    """The mode of the effects, together with one curve for all, with wide priors."""
    moves, ms = plantings.moves(), plantings.duration_ms
    spread = np.array([1.5, 0.6, 0.4, *_EFFECT_SD])
    middle = np.array([3.0, np.log(55.0), np.log(4.5), 0.0, 0.0])

    def loss(given: Floats) -> float:
        scaled = np.log(ms) - moves @ given[3:]
        chance = special.expit(given[0]) * special.expit(np.exp(given[2]) * (scaled - given[1]))
        chance = np.clip(chance, 1e-9, 1 - 1e-9)
        likelihood = np.log(np.where(found, chance, 1.0 - chance)).sum()
        return float(0.5 * (((given - middle) / spread) ** 2).sum() - likelihood)

    return np.asarray(optimize.minimize(loss, middle, method="L-BFGS-B").x[3:])
