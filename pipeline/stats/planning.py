"""Many comparisons at once, and how much a comparison needs.

Holm's step-down (Scandinavian Journal of Statistics 6, 1979) over all pairs of one scheme and one rate: with six
schools that do not differ, some pair of the fifteen is "different" in .34 of worlds unadjusted, in .035 by Holm.

Planning: on the logarithm a player's rate differs from the others' by tau, one recording session's from another's by
kappa, and c slides leave 1/c of chance. Two groups of other players: sd^2 = tau^2 + kappa^2/S + 1/c with S recording
sessions and c slides a player, and the power of the two-sample t test. The same players in both groups: sd^2 =
tau_d^2 + 2 kappa^2/S + 1/c1 + 1/c2 with tau_d the spread of the players' own log ratios, and the one-sample t test.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.units import Floats

POWER, SIZE = 0.8, 0.05  # Cohen 1988
_MOST_PLAYERS = 10_000  # more is said to be out of reach


def holm(p: npt.ArrayLike) -> Floats:
    """Holm's adjusted p values of one family, shape (comparisons,); NaN stays and does not count.

    Written out, since the library's function collects garbage at each call, which takes a second in a large program.
    """
    made = np.array(p, dtype=np.float64)
    order = np.argsort(made)[: int(np.isfinite(made).sum())]
    made[order] = np.minimum(np.maximum.accumulate(made[order] * np.arange(order.size, 0, -1)), 1.0)
    return made


@dataclass(frozen=True)
class Design:
    """A planned comparison, each player with as many sessions and slides in each group.

    Attributes
    ----------
    spread, session_spread, change_spread : tau, kappa and tau_d, standard deviations of logarithms.
    sessions, slides : of each player in each group in which the player stands.
    """

    spread: float
    session_spread: float
    change_spread: float
    sessions: float
    slides: float

    @property
    def between(self) -> float:
        """Standard deviation of a player's log rate."""
        return float(np.sqrt(self.spread**2 + self.session_spread**2 / self.sessions + 1 / self.slides))

    @property
    def within(self) -> float:
        """Standard deviation of a player's log ratio of two groups."""
        chance = 2 * self.session_spread**2 / self.sessions + 2 / self.slides
        return float(np.sqrt(self.change_spread**2 + chance))


def power(design: Design, *, ratio: float, players: int, same_players: bool) -> float:
    """Chance of finding a true ratio at the 5 % level, two-sided, with so many players in each group."""
    from statsmodels.stats.power import TTestIndPower, TTestPower

    if players < 2:
        return 0.0
    size = abs(float(np.log(ratio))) / (design.within if same_players else design.between)
    test = TTestPower() if same_players else TTestIndPower()
    return float(test.power(size, players, SIZE))


def players_needed(design: Design, *, ratio: float, same_players: bool, at_least: float = POWER) -> int | None:
    """Least number of players in each group that finds the ratio with the asked chance; None above 10,000."""
    low, high = 2, 4
    while power(design, ratio=ratio, players=high, same_players=same_players) < at_least:
        low, high = high, 2 * high
        if high > _MOST_PLAYERS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        enough = power(design, ratio=ratio, players=middle, same_players=same_players) >= at_least
        low, high = (low, middle) if enough else (middle, high)
    return low if power(design, ratio=ratio, players=low, same_players=same_players) >= at_least else high


@dataclass(frozen=True)
class Plan:
    """Players needed in each of two groups of other players, and of the same players in both, for one ratio."""

    ratio: float
    players_in_each: int | None
    same_players: int | None


def plan(design: Design, ratios: Sequence[float], *, at_least: float = POWER) -> list[Plan]:
    """What each ratio needs.

    Raises
    ------
    ValueError
        If a ratio is not positive or is 1, which no number of players can show.
    """
    for ratio in ratios:
        if not ratio > 0 or ratio == 1:
            raise ValueError(f"ratio {ratio}: give a positive number other than 1, for example 1.5")
    return [
        Plan(
            ratio,
            players_needed(design, ratio=ratio, same_players=False, at_least=at_least),
            players_needed(design, ratio=ratio, same_players=True, at_least=at_least),
        )
        for ratio in ratios
    ]
