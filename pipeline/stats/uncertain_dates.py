"""Rates of periods where the dates of some takes are uncertain: certain takes, drawn dates, bounds.

A take that may belong to either of two periods must not count as a fraction in each: whatever it holds, half of its
slides would then stand in both, and a ratio of 2 with half of the takes uncertain reads as 1.4 (cover .05). Three
answers instead. *Certain*: takes whose span lies inside one period. *Drawn*: all takes, the period of each uncertain
one drawn from its shares **given its number of slides**, since draws that ignore the count are as biased as shares.
*Bounds*: the least and greatest that any assignment of the uncertain takes could give.

Drawn: players are resampled, then in each replicate the dates are drawn (bootstrap, then impute: Schomaker and Heumann,
Statistics in Medicine 37, 2018; Bartlett and Hughes, Statistical Methods in Medical Research 29, 2020). The chances of
the periods come from a mixture fitted by EM: slides of a take are negative binomial about exposure x rate of the period
x level of the player, with the spread between takes of one player learnt in each replicate from certain takes alone
(from classified takes it comes out too small and pushes the ratio up) and what is not known of the player's level added
(without it a ratio of 2 reads as 2.05). How many of the uncertain takes lie in each period is learnt with the rates:
shares are a belief only (held to, a ratio of 2 reads as 2.08 where four in five takes shared by halves are early).
Limits: the estimate +- t(P - 1) sqrt(P / (P - 1)) times the standard deviation of the replicates, on the logarithm.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse, stats

from pipeline.stats.intervals import LEVEL, Interval
from pipeline.stats.rates import resampling_weights, spread_moments, spread_of_moments
from pipeline.units import Floats

Ints = npt.NDArray[np.intp]
REPLICATES = 400
"""Replicates of the draws; the standard deviation of 400 is known to 4 %."""
_PASSES, _DRAW_PASSES = 20, 8  # of the EM algorithm (common practice, no source)
_DRAWS = 4
"""Draws of the dates in each replicate, of which the mean is taken: the estimate has none of the draws' own scatter.
With two, limits of a ratio of 1 hold it .986 where half of the takes are uncertain (1,600 repeats), with four .973
(600); without any .91 (150), since what the counts leave open is then in no replicate."""
# Slides' worth of belief that a player's level is that of the others (judgement; the simulations used it too).
_LEVEL_WEIGHT = 4.0
# Takes' worth of belief that uncertain takes lie in the periods as their shares say (judgement, as above).
_SHARE_WEIGHT = 4.0
# Squared spread between takes of one player where no player has two certain takes: that of sessions, .3 squared.
_UNTOLD_SPREAD = 0.09
_LEAST_SPREAD = 1e-4


@dataclass(frozen=True)
class Takes:
    """Takes and the periods in which they may lie.

    Attributes
    ----------
    counts, exposures : shape (takes,); exposures positive.
    players : number of the player of each take, 0 to players - 1, shape (takes,).
    shares : chance of each period before anything is known of the slides, shape (takes, periods); rows sum to 1. A
        column may stand for "no period at all".
    """

    counts: Floats
    exposures: Floats
    players: Ints
    shares: Floats

    @property
    def certain(self) -> npt.NDArray[np.bool_]:
        """Whether a take lies in one period, shape (takes,)."""
        return np.asarray(self.shares.max(axis=1) >= 1 - 1e-9)

    def players_in(self, period: int) -> int:
        """Players of whom some take may lie in a period."""
        return int(np.unique(self.players[self.shares[:, period] > 0]).size)


@dataclass(frozen=True)
class DrawnRates:
    """Rates of the periods, in counts per unit of exposure, shape (periods,); NaN where no take is certainly there.

    ``log_rates`` are the logarithms of the replicates, shape (replicates, periods), and ``freedom`` is P - 1.
    """

    rates: Floats
    low: Floats
    high: Floats
    log_rates: Floats
    freedom: int

    def ratio(self, first: int, second: int, *, level: float = LEVEL) -> Interval:
        """Rate of one period over that of another, from the same replicates."""
        middle = np.log(self.rates[first] / self.rates[second])
        half = _reach(self.freedom, level) * float(np.std(self.log_rates[:, first] - self.log_rates[:, second]))
        return Interval(float(np.exp(middle)), float(np.exp(middle - half)), float(np.exp(middle + half)))


def _reach(freedom: int, level: float) -> float:
    players = freedom + 1
    return float(stats.t.ppf(0.5 + level / 2, freedom)) * float(np.sqrt(players / freedom))


def drawn_rates(
    takes: Takes, *, seed: tuple[int, ...], replicates: int = REPLICATES, level: float = LEVEL
) -> DrawnRates | None:
    """Rates of all takes, with the uncertain dates drawn given the counts.

    Returns
    -------
    None with fewer than two players or no slide.
    """
    number = int(takes.players.max()) + 1 if takes.players.size else 0
    if number < 2 or takes.counts.sum() == 0:
        return None
    mixture = _Mixture(takes)
    start = _Fit(mixture.start[:, None], np.ones((number, 1)), np.ones((mixture.periods, 1)))
    fitted, chances = mixture.fit(np.ones((number, 1)), start, passes=_PASSES)
    rates = mixture.expected(chances[:, 0])
    weights = resampling_weights(number, seed=seed, replicates=replicates).T
    _, chances = mixture.fit(weights, fitted, passes=_DRAW_PASSES)
    rng = np.random.default_rng([*seed, 1])
    counts, exposures = np.mean([mixture.drawn(weights, chances, rng) for _ in range(_DRAWS)], axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log((counts + 0.5) / (exposures + 0.5 / rates[:, None])).T
        half = _reach(number - 1, level) * np.std(logs, axis=0)
    return DrawnRates(rates, rates * np.exp(-half), rates * np.exp(half), logs, number - 1)


@dataclass(frozen=True)
class _Fit:
    """Rates of the periods (periods, B), levels of the players about them (players, B), and by how much likelier each
    period is for the uncertain takes than their shares say (periods, B)."""

    rates: Floats
    levels: Floats
    likelier: Floats


class _Mixture:
    """The mixture over the periods of uncertain takes; certain takes enter as sums by player."""

    def __init__(self, takes: Takes) -> None:
        self.number, self.periods = int(takes.players.max()) + 1, takes.shares.shape[1]
        certain = takes.certain
        period = takes.shares.argmax(axis=1)
        c, e, of = takes.counts, takes.exposures, takes.players
        sure_c = _summed(of[certain], period[certain], c[certain], (self.number, self.periods))
        sure_e = _summed(of[certain], period[certain], e[certain], (self.number, self.periods))
        with np.errstate(invalid="ignore", divide="ignore"):
            self.start: Floats = (sure_c.sum(axis=0) + 0.5) / (sure_e.sum(axis=0) + 0.5 * e.sum() / c.sum())
        self.unknown = sure_e.sum(axis=0) == 0
        self.moments = _take_moments(c[certain], e[certain] * self.start[period[certain]], of[certain], self.number)
        # A take's weight against others of its player: fixed, since it is only a weight.
        usual = e * (takes.shares @ self.start)
        q = 1 / (1 + self.spread(np.ones((self.number, 1))) * usual)
        self.sure = sure_c, sure_e
        self.sure_q = tuple(
            _summed(of[certain], period[certain], (q * x)[certain], (self.number, self.periods)) for x in (c, e)
        )
        entries = takes.shares[~certain] > 0
        take, self.entry_period = np.nonzero(entries)
        self.firsts = np.flatnonzero(np.diff(take, prepend=-1))
        self.take = take
        open_takes = np.flatnonzero(~certain)
        self.c, self.e, self.q = c[open_takes][take], e[open_takes][take], q[open_takes][take]
        self.of = of[open_takes][take]
        self.share = takes.shares[open_takes][take, self.entry_period][:, None]
        # What a player's other takes leave open of the level spreads a take's slides as other takes of theirs do.
        told = np.bincount(of, q * usual, minlength=self.number)
        self.open_level = 1 / (_LEVEL_WEIGHT + told)[self.of, None]
        size = take.size
        self.by_player = sparse.csr_array((np.ones(size), (self.of, np.arange(size))), shape=(self.number, size))
        self.by_period = sparse.csr_array(
            (np.ones(size), (self.entry_period, np.arange(size))), shape=(self.periods, size)
        )

    def spread(self, weights: Floats) -> Floats:
        """Squared spread between the takes of one player, for weights of the players (players, B), shape (B,)."""
        learnt = np.maximum(spread_of_moments(self.moments, weights), _LEAST_SPREAD)
        return np.where(self.moments[:, 3] @ weights > 0, learnt, _UNTOLD_SPREAD)

    def fit(self, weights: Floats, start: _Fit, *, passes: int) -> tuple[_Fit, Floats]:
        """The fit for weights of the players (players, B), and the chances of the entries (entries, B)."""
        beta, level, likelier = start.rates, start.levels, start.likelier
        weight = weights[self.of]
        shape = 1 / (self.spread(weights) + self.open_level)
        chances = np.broadcast_to(self.share, weight.shape)
        for _ in range(passes):
            believed = self._of_take(self.share * likelier[self.entry_period])
            chances = self._of_take(believed * self._likelihood(beta, level, shape))
            mean = self.sure_q[1] @ beta + self.by_player @ (
                chances * beta[self.entry_period] * (self.q * self.e)[:, None]
            )
            count = self.sure_q[0].sum(axis=1, keepdims=True) + self.by_player @ (chances * (self.q * self.c)[:, None])
            level = (_LEVEL_WEIGHT + count) / (_LEVEL_WEIGHT + mean)
            weighted = weight * chances
            above = self.sure_q[0].T @ weights + self.by_period @ (weighted * (self.q * self.c)[:, None])
            below = self.sure_q[1].T @ (weights * level) + self.by_period @ (
                weighted * level[self.of] * (self.q * self.e)[:, None]
            )
            beta = np.maximum(above, 1e-9) / np.maximum(below, 1e-9)
            likelier = likelier * (_SHARE_WEIGHT + self.by_period @ weighted)
            likelier = likelier / (_SHARE_WEIGHT + self.by_period @ (weight * believed))
        return _Fit(beta, level, likelier), chances

    def _likelihood(self, beta: Floats, level: Floats, shape: Floats) -> Floats:
        """Of each take's count in each of its periods, shape (entries, B); 1 in the likeliest."""
        mean = self.e[:, None] * level[self.of] * beta[self.entry_period]
        logs = self.c[:, None] * np.log(mean / (mean + shape)) - shape * np.log1p(mean / shape)
        return np.exp(logs - np.maximum.reduceat(logs, self.firsts, axis=0)[self.take]) if logs.size else logs

    def _of_take(self, made: Floats) -> Floats:
        """Entries (entries, B) over their sum in each take."""
        return made / np.add.reduceat(made, self.firsts, axis=0)[self.take] if made.size else made

    def expected(self, chances: Floats) -> Floats:
        """Rates with each uncertain take in each period by its chance given the count, shape (periods,)."""
        made = [
            sure.sum(axis=0) + np.bincount(self.entry_period, chances * x, minlength=self.periods)
            for sure, x in zip(self.sure, (self.c, self.e), strict=True)
        ]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.unknown, np.nan, made[0] / made[1])

    def drawn(self, weights: Floats, chances: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Counts and exposures of the periods with whole takes, shape (periods, B) each."""
        counts, exposures = (sure.T @ weights for sure in self.sure)
        if not self.take.size:
            return counts, exposures
        upto = np.cumsum(chances, axis=0)
        before = upto - chances
        start = before[self.firsts]
        at = start + rng.random(start.shape) * (upto[np.append(self.firsts[1:], self.take.size) - 1] - start)
        chosen = (before <= at[self.take]) & (at[self.take] < upto)
        picked = weights[self.of] * chosen
        return (
            counts + self.by_period @ (picked * self.c[:, None]),
            exposures + self.by_period @ (picked * self.e[:, None]),
        )


def _summed(rows: Ints, columns: Ints, values: Floats, shape: tuple[int, int]) -> Floats:
    made = np.bincount(rows * shape[1] + columns, values, minlength=shape[0] * shape[1]).reshape(shape)
    return made.astype(np.float64)


def _take_moments(counts: Floats, expected: Floats, players: Ints, number: int) -> Floats:
    """What the takes of each player tell of the spread between them, shape (players, 4) as ``rates.spread_moments``."""
    order = np.argsort(players, kind="stable")
    cuts = np.searchsorted(players[order], np.arange(1, number))
    return spread_moments(list(zip(np.split(counts[order], cuts), np.split(expected[order], cuts), strict=True)))


@dataclass(frozen=True)
class Bounds:
    """What any assignment of the uncertain takes could make of a rate or a ratio."""

    least: float
    most: float


def rate_bounds(takes: Takes, period: int) -> Bounds:
    """Least and greatest rate of a period, whatever the dates of the takes that may lie in it; NaN without any.

    The greatest comes from adding possible takes from the highest own rate down for as long as the rate rises (the
    mean of a set rises with each element above it), the least from the other end.
    """
    share = takes.shares[:, period]
    sure, possible = share >= 1 - 1e-9, (share > 0) & (share < 1 - 1e-9)
    own = takes.counts[possible] / takes.exposures[possible]
    ends = []
    for order in (np.argsort(own, kind="stable"), np.argsort(-own, kind="stable")):
        counts = takes.counts[sure].sum() + np.append(0.0, np.cumsum(takes.counts[possible][order]))
        exposures = takes.exposures[sure].sum() + np.append(0.0, np.cumsum(takes.exposures[possible][order]))
        ends.append(counts[exposures > 0] / exposures[exposures > 0])
    if not ends[0].size:
        return Bounds(np.nan, np.nan)
    return Bounds(float(ends[0].min()), float(ends[1].max()))


def ratio_bounds(takes: Takes, first: int, second: int) -> Bounds:
    """Least and greatest ratio of two periods' rates over the assignments of the takes that may lie in either.

    At the best assignment no single take gains by moving, judged by the slope of log(C1/E1) - log(C2/E2); moving
    takes to where the slope is best until none moves, from several starts. Infinite or 0 where a period may be left
    without slides, NaN where it may be left without takes altogether.
    """
    return Bounds(_extreme(takes, second, first, invert=True), _extreme(takes, first, second, invert=False))


def _extreme(takes: Takes, high: int, low: int, *, invert: bool) -> float:
    """Greatest ratio of period ``high`` to ``low`` (its inverse with ``invert``)."""
    shares = takes.shares
    options = np.stack([shares[:, high] > 0, shares[:, low] > 0, np.delete(shares, (high, low), axis=1).any(axis=1)])
    c, e = takes.counts, takes.exposures
    own = c / e
    starts = [np.quantile(own, at) for at in (0.0, 0.25, 0.5, 0.75, 1.0)]
    best = 0.0
    for threshold in starts:
        gains = np.stack([own - threshold, threshold - own, np.zeros_like(own)])
        place = np.where(options, gains, -np.inf).argmax(axis=0)
        for _ in range(200):
            sums = [(c[place == k].sum(), e[place == k].sum()) for k in (0, 1)]
            if min(sums[0][1], sums[1][1]) == 0:
                break
            (c_1, e_1), (c_2, e_2) = sums
            with np.errstate(divide="ignore", invalid="ignore"):
                best = max(best, np.divide(c_1 * e_2, c_2 * e_1)) if c_1 else best
            if min(c_1, c_2) == 0:
                break
            gains = np.stack([c / c_1 - e / e_1, e / e_2 - c / c_2, np.zeros_like(c)])
            moved = np.where(options, gains, -np.inf).argmax(axis=0)
            if (moved == place).all():
                break
            place = moved
    if best == 0.0:
        return float("nan")
    return float(1 / best) if invert else float(best)
