"""Did players change, or were they replaced? Two groups of takes that share players, such as two periods.

*Within*: players who stand in both, each with the logarithm of the own ratio y = log((c1 + 1/2)/e1) - log((c2 +
1/2)/e2) and its variance by chance 1/(m1 + 1/2) + 1/(m2 + 1/2), where m1 and m2 are the player's slides as the ratio of
all players together would divide them (Mantel and Haenszel's, for counts over exposures: Rothman and Greenland, Modern
Epidemiology, 1998). Taken from c1 and c2 themselves, weights go with the ratios: with 5 slides each 1.6 reads as 1.53.
They are combined with Paule and Mandel's variance between players (Journal of Research of the National Bureau of
Standards 87, 1982) and the standard error of Hartung and Knapp (Statistics in Medicine 20, 2001), never below the
ordinary one, which by luck it can be (Rover, Knapp and Friede, BMC Medical Research Methodology 15, 2015; the wider of
both intervals instead covers .93 of six players with 40 slides each); Student's t(P - 1). *Between*: players of one
group only, Welch's t on the logarithms (``stats.whose_rate``). *Joined*: both weighted by their variances, with the
variance of Meier (Biometrics 9, 1953), widened where they differ by more than their errors (Birge, Physical Review 40,
1932): that they are not known to differ does not make them alike. One number alone would hide a change by replacement,
so all are shown, and joined only where within and between are not known to differ; it then covers .92 of what players
themselves did where only replacement changed anything (.87 without being widened), at the price of .07 of its power
(benchmarks/coverage).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.stats.intervals import LEVEL
from pipeline.stats.whose_rate import (
    Ratio,
    compare_players,
    enough_for_ratio,
    players_rates,
    ratio_from_logs,
    welch_freedom,
)
from pipeline.units import Floats

HALF_SLIDE = 0.25
"""Added above and below in the ratio of all players, so that it is neither 0 nor infinite: half a slide in either
group of a player with as much exposure in both."""
DISAGREE = 0.05
"""Within and between differ where chance alone would make them this unlike less often than this."""


@dataclass(frozen=True)
class Evidence:
    """First group over second by one kind of evidence, and how many players gave it."""

    compared: Ratio
    players: int


@dataclass(frozen=True)
class ChangedOrReplaced:
    """The three kinds of evidence, None where too few players give it.

    ``differ_p`` is the p value of within and between being the same, None without both; ``joined`` is None where they
    differ (``DISAGREE``), and is the only one of the two where the other is None.
    """

    within: Evidence | None
    between: Evidence | None
    joined: Evidence | None
    differ_p: float | None


def changed_or_replaced(
    first: tuple[npt.ArrayLike, npt.ArrayLike],
    second: tuple[npt.ArrayLike, npt.ArrayLike],
    *,
    level: float = LEVEL,
) -> ChangedOrReplaced:
    """Compare two groups over the same list of players.

    Parameters
    ----------
    first, second : counts and exposures of each player in the group, shape (players,) each; exposure 0 where the
        player is not in it.
    """
    c_1, e_1, c_2, e_2 = (np.asarray(x, dtype=np.float64) for group in (first, second) for x in group)
    both = (e_1 > 0) & (e_2 > 0)
    within = _within(c_1[both], e_1[both], c_2[both], e_2[both], level=level)
    alone = [(c[used], e[used]) for c, e, used in ((c_1, e_1, (e_1 > 0) & ~both), (c_2, e_2, (e_2 > 0) & ~both))]
    rates = [players_rates(c, e, np.arange(c.size), level=level) for c, e in alone]
    compared = compare_players(rates[0], rates[1], level=level)
    between = Evidence(compared, sum(c.size for c, _ in alone)) if compared else None
    if within is None or between is None:
        return ChangedOrReplaced(within, between, within or between, None)
    differ = _differ(within.compared, between.compared)
    joined = None if differ < DISAGREE else _joined(within, between, level=level)
    return ChangedOrReplaced(within, between, joined, differ)


def combined_effect(effects: npt.ArrayLike, variances: npt.ArrayLike, *, level: float = LEVEL) -> Ratio:
    """Players' log ratios combined, by Paule and Mandel with the greater of the two standard errors (module's text).

    Parameters
    ----------
    effects, variances : of each player, shape (players,), two at least.
    """
    from statsmodels.stats.meta_analysis import combine_effects

    y = np.asarray(effects, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):  # its I2, not used here, divides by 0 if all effects are alike
        made = combine_effects(y, np.asarray(variances, dtype=np.float64), method_re="pm", use_t=True)
    se = max(float(made.sd_eff_w_re_hksj), float(made.sd_eff_w_re))
    return ratio_from_logs(float(made.mean_effect_re), se, float(y.size - 1), level=level)


def _within(c_1: Floats, e_1: Floats, c_2: Floats, e_2: Floats, *, level: float) -> Evidence | None:
    # A player without a slide in either group says nothing of a ratio.
    told = c_1 + c_2 > 0
    c_1, e_1, c_2, e_2 = (x[told] for x in (c_1, e_1, c_2, e_2))
    if not enough_for_ratio(c_1.size):
        return None
    y = np.log((c_1 + 0.5) / e_1) - np.log((c_2 + 0.5) / e_2)
    pooled = ((c_1 * e_2 / (e_1 + e_2)).sum() + HALF_SLIDE) / ((c_2 * e_1 / (e_1 + e_2)).sum() + HALF_SLIDE)
    share = pooled * e_1 / (pooled * e_1 + e_2)
    m_1, m_2 = (c_1 + c_2) * share, (c_1 + c_2) * (1 - share)
    return Evidence(combined_effect(y, 1 / (m_1 + 0.5) + 1 / (m_2 + 0.5), level=level), y.size)


def _differ(one: Ratio, other: Ratio) -> float:
    variances = one.log_se**2, other.log_se**2
    freedom = welch_freedom(variances[0], one.freedom, variances[1], other.freedom)
    apart = np.log(one.ratio.estimate / other.ratio.estimate)
    return float(2 * stats.t.sf(abs(apart) / np.sqrt(sum(variances)), freedom))


def _joined(one: Evidence, other: Evidence, *, level: float) -> Evidence:
    parts = (one.compared, other.compared)
    precision = np.array([1 / part.log_se**2 for part in parts])
    freedom = np.array([part.freedom for part in parts])
    w = precision / precision.sum()
    logs = np.log([part.ratio.estimate for part in parts])
    apart = float((logs[0] - logs[1]) ** 2 / (1 / precision).sum())
    variance = max(apart, 1.0) * (1 + 4 * float((w * (1 - w) / freedom).sum())) / precision.sum()
    # Each weighted part has the variance w / W: Satterthwaite's degrees of their sum.
    joined = ratio_from_logs(float(w @ logs), float(np.sqrt(variance)), float(1 / (w**2 / freedom).sum()), level=level)
    return Evidence(joined, one.players + other.players)
