"""How many excerpts to listen to, so that the slides there are for each find are known as closely as wanted.

That number, precision and misses in one, is what rates are corrected by. Its limits are those that ``stats.detection``
would give if each excerpt drawn were heard as it is expected to be: as judged so far, or else as it is stated.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from scipy import special

from pipeline.answers.listening.draw import allot, in_strata, portions
from pipeline.answers.listening.error_rates import listening_results
from pipeline.answers.listening.populations import USUAL, columns_of, populations, refuse_unknown
from pipeline.errors import DataError, UsageError, typed
from pipeline.stats.agreement import ErrorRates
from pipeline.stats.detection import ENOUGH_FINDS, LEAST_JUDGED, Judgements, error_draws, of_draws, worth
from pipeline.store.corpus import Corpus
from pipeline.units import Floats

WITHIN = 0.1
"""Slides per find to within a tenth: below the width that players' own differences leave to a rate."""
NUMBERS = (50, 100, 200, 400, 800, 1600)
_STEP = 10
_REPLICATES = 4000


@dataclass(frozen=True)
class Outlook:
    """What so many excerpts would tell, with 95 % limits."""

    number: int
    errors: ErrorRates

    @property
    def within(self) -> float:
        """How closely slides per find are known: by so much the upper limit lies above the middle of both."""
        known = self.errors.true_per_find
        return float(np.sqrt(known.high / known.low)) - 1


@dataclass(frozen=True)
class Plan:
    """How many excerpts to judge.

    Attributes
    ----------
    judged : excerpts judged so far, from which the expectation comes; 0: it comes from the confidences.
    outlooks : of usual numbers of excerpts.
    needed : the least number that is enough for ``within``, and for rates to be corrected; None: even all are not.
    """

    judged: int
    within: float
    outlooks: tuple[Outlook, ...]
    needed: Outlook | None


def planned(root: Path | str, *, by: Sequence[str] = USUAL, within: float = WITHIN) -> Plan:
    """Plan a listening check.

    Raises
    ------
    UsageError
        If ``by`` or ``within`` cannot be.
    DataError
        If there is no database, or no slide was found.
    """
    refuse_unknown(by)
    if not 0 < within < 1:
        raise UsageError(f"--within {100 * within:g}: give a number of per cent between 0 and 100")
    corpus = Corpus(root)
    whole = {name: in_strata(each, columns_of(by, name)) for name, each in populations(corpus).items()}
    if whole["slide"].is_empty():
        raise DataError(
            f"{root}: no slide was found, so there is nothing to plan by",
            f"glideline listen {typed(root)} draws without slides, too; glideline status says how sides stand",
        )
    try:
        results = listening_results(corpus.root)
    except DataError:
        judged = 0
    else:
        judged = results.items
        whole = _as_heard(whole, results.errors)
    everything = sum(each.height for each in whole.values())
    outlooks = tuple(_outlook(whole, number) for number in NUMBERS if number < everything)
    return Plan(judged, within, outlooks, _needed(whole, everything, within))


def _as_heard(whole: Mapping[str, pl.DataFrame], heard: ErrorRates) -> dict[str, pl.DataFrame]:
    """The populations with chances scaled so that they sum to what was heard."""
    missed = max(heard.true_per_find.estimate - heard.precision.estimate, 0.0) * whole["slide"].height
    told = {"slide": heard.precision.estimate * whole["slide"].height, "transition": missed}
    return {
        name: each.with_columns((pl.col("chance") * told[name] / pl.col("chance").sum()).clip(0, 1))
        if name in told and each["chance"].sum()
        else each
        for name, each in whole.items()
    }


def _needed(whole: Mapping[str, pl.DataFrame], everything: int, within: float) -> Outlook | None:
    finds = min(ENOUGH_FINDS, whole["slide"].height)
    sizes = {name: each.height for name, each in whole.items()}
    numbers = [n for n in range(_STEP, everything + _STEP, _STEP) if n >= LEAST_JUDGED]
    enough = [n for n in numbers if portions(n, sizes)[0]["slide"] >= finds] or [everything]
    low, high = -1, len(enough) - 1
    best = _outlook(whole, enough[high])
    if best.within > within:
        return None
    while high - low > 1:  # limits draw together as more is heard
        middle = (low + high) // 2
        tried = _outlook(whole, enough[middle])
        if tried.within <= within:
            high, best = middle, tried
        else:
            low = middle
    return best


def _outlook(whole: Mapping[str, pl.DataFrame], number: int) -> Outlook:
    wanted, _ = portions(number, {name: each.height for name, each in whole.items()})
    finds, changes = whole["slide"], whole["transition"]
    judged = worth(np.concatenate([np.full(n, len(c) / n) for c, n in _drawn(finds, wanted["slide"])]))
    heard = [np.quantile(c, (np.arange(n) + 0.5) / n) for c, n in _drawn(changes, wanted["transition"])]
    chances = np.concatenate(heard) if heard else np.zeros(0)
    given = Judgements(
        finds=np.array([float(finds.height)]),
        judged_finds=np.array([judged]),
        true_finds=judged * np.array([finds["chance"].mean()], dtype=np.float64),
        strata=np.zeros(chances.size, dtype=np.intp),
        scores=_logit(chances),
        is_slide=chances,
        all_strata=np.zeros(changes.height, dtype=np.intp),
        all_scores=_logit(changes["chance"].to_numpy()),
        changes=np.ones(changes.height),
    )
    right, missed = (each[:, 0] for each in error_draws(given, seed=(1,), replicates=_REPLICATES))
    return Outlook(number, ErrorRates(*map(of_draws, (right, right / (right + missed), right + missed))))


def _drawn(population: pl.DataFrame, number: int) -> list[tuple[Floats, int]]:
    """Chances of each stratum from which any are drawn, and how many are."""
    parts = dict(population.group_by("stratum").agg("chance").sort("stratum").iter_rows())
    wanted = allot({name: len(each) for name, each in parts.items()}, number=number)
    return [(np.array(each, dtype=np.float64), wanted[name]) for name, each in parts.items() if wanted[name]]


def _logit(chances: Floats) -> Floats:
    return np.asarray(special.logit(np.clip(chances, 1e-4, 1 - 1e-4)), dtype=np.float64)
