"""Two groups compared at the same places of the same works.

Repertoire confounds every comparison of groups: one of them may play works that everybody slides in. Within each place
both play the same notes, and the odds ratio of Mantel and Haenszel (Journal of the National Cancer Institute 22, 1959)
joins the places: sum(A D / N) / sum(B C / N), with A and B the first group's slid and unslid, C and D the second's.

Its usual error (Robins, Breslow and Greenland, Biometrics 42, 1986) takes rows as independent; those of one player are
not, and such limits cover 80 %. Players are resampled instead, within each group, those who stand in both groups with
both; the limits are those of Student's t on the logarithm, with two degrees fewer than players.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.stats.intervals import LEVEL, Interval
from pipeline.stats.rates import REPLICATES, resampling_weights
from pipeline.units import Floats

LEAST_PLAYERS_FOR_LIMITS = 3
"""Of both groups together, so that a degree of freedom is left."""
HALF_ROWS = 0.25
"""Added above and below in each resample, so that one without a slide has a logarithm: half a row meets half a row."""


@dataclass(frozen=True)
class Told:
    """What a group did at each place, by player.

    ``slid, told`` (players, places): weight of the rows in which the player slid, and of all that can be told.
    """

    slid: Floats
    told: Floats


@dataclass(frozen=True)
class PlaceEffect:
    """One group against another within places.

    Attributes
    ----------
    ratio : odds ratio; limits NaN where the players are too few, or where it is 0 or infinite.
    p : how often chance alone would make it as far from 1; NaN without limits.
    share, other_share : slid of told at the places that both play, each place weighing alike for both groups.
    unmatched : odds ratio of all rows, whatever the places.
    places, places_alike : places that both groups play; those of them where all slid or none, which say nothing.
    players : players of either group who play there.
    coverage : share of all rows of both groups that lie at those places.
    """

    ratio: Interval
    p: float
    share: float
    other_share: float
    unmatched: float
    places: int
    places_alike: int
    players: int
    coverage: float


def place_effect(
    first: Told,
    other: Told,
    *,
    seed: Sequence[int],
    replicates: int = REPLICATES,
    level: float = LEVEL,
) -> PlaceEffect | None:
    """Compare two groups within places.

    Parameters
    ----------
    first, other : rows are the same players in both, columns the same places; a player who is not in a group has
        zeros there.
    seed : non-negative integers; the same ones give the same limits.

    Returns
    -------
    None if no place is played by both.
    """
    both = (first.told.sum(axis=0) > 0) & (other.told.sum(axis=0) > 0)
    if not both.any():
        return None
    a, n1, c, n2 = (x[:, both] for x in (first.slid, first.told, other.slid, other.told))
    above, below = _sums(a.sum(axis=0), n1.sum(axis=0), c.sum(axis=0), n2.sum(axis=0))
    estimate = float(above / below) if below > 0 else (np.inf if above > 0 else np.nan)
    plays, others = n1.sum(axis=1) > 0, n2.sum(axis=1) > 0
    players = int((plays | others).sum())
    slid, told = a.sum(axis=0) + c.sum(axis=0), n1.sum(axis=0) + n2.sum(axis=0)
    alike = n1.sum(axis=0) * n2.sum(axis=0) / told
    made = PlaceEffect(
        ratio=Interval(estimate, np.nan, np.nan),
        p=np.nan,
        share=_weighed(a.sum(axis=0) / n1.sum(axis=0), alike),
        other_share=_weighed(c.sum(axis=0) / n2.sum(axis=0), alike),
        unmatched=_odds_ratio(first.slid.sum(), first.told.sum(), other.slid.sum(), other.told.sum()),
        places=int(both.sum()),
        places_alike=int(((slid == 0) | (slid == told)).sum()),
        players=players,
        coverage=float(told.sum() / (first.told.sum() + other.told.sum())),
    )
    freedom = players - 2
    if players < LEAST_PLAYERS_FOR_LIMITS or not 0 < estimate < np.inf:
        return made
    weights = _player_weights(plays, others, seed=seed, replicates=replicates)
    drawn_above, drawn_below = _sums(weights @ a, weights @ n1, weights @ c, weights @ n2)
    # A resample spreads less than the players do, by their degrees of freedom over their number.
    narrow = np.sqrt(freedom / players)
    spread = float(np.std(np.log((drawn_above + HALF_ROWS) / (drawn_below + HALF_ROWS)))) / narrow
    if spread == 0:
        return made
    log, half = np.log(estimate), spread * float(stats.t.ppf(0.5 + level / 2, freedom))
    ratio = Interval(estimate, float(np.exp(log - half)), float(np.exp(log + half)))
    p = float(2 * stats.t.sf(abs(log) / spread, freedom))
    return PlaceEffect(**{**vars(made), "ratio": ratio, "p": p})


def sentence(effect: PlaceEffect, *, first: str, other: str) -> str:
    """The plain answer: what both did at the same places."""
    places = "the one place" if effect.places == 1 else f"the {effect.places} places"
    said = f"at {places} that both play: {first} {effect.share:.0%} against {other} {effect.other_share:.0%}"
    return said.replace("%", " %")


def _sums(a: Floats, n1: Floats, c: Floats, n2: Floats) -> tuple[Floats, Floats]:
    """Sums over places of A D / N and B C / N."""
    total = n1 + n2
    inverse = np.divide(1.0, total, out=np.zeros_like(total), where=total > 0)
    return (a * (n2 - c) * inverse).sum(axis=-1), ((n1 - a) * c * inverse).sum(axis=-1)


def _player_weights(
    plays: npt.NDArray[np.bool_], others: npt.NDArray[np.bool_], *, seed: Sequence[int], replicates: int
) -> Floats:
    """How often each player is drawn, (replicates, players): within each group, and within those of both."""
    weights = np.zeros((replicates, plays.size))
    for number, of in enumerate((plays & ~others, others & ~plays, plays & others)):
        some = np.flatnonzero(of)
        if some.size:
            weights[:, some] = resampling_weights(some.size, seed=[*seed, number], replicates=replicates)
    return weights


def _weighed(shares: Floats, weights: Floats) -> float:
    return float((shares * weights).sum() / weights.sum())


def _odds_ratio(a: float, n1: float, c: float, n2: float) -> float:
    above, below = a * (n2 - c), (n1 - a) * c
    return float(above / below) if below > 0 else (np.inf if above > 0 else np.nan)
