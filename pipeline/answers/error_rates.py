"""What the listening checks say: how often finds are right, what is missed, and rates with that error carried along.

Only drawn items enter. Missed slides are counted where they can lie: at changes of note without a find, and in
stretches without a find where there is no change of note that could hold them, so that none counts twice. Rates
start from finds before any verdict, since a count that verdicts have mended must not be mended again.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.errors import DataError, typed
from pipeline.stats import agreement
from pipeline.stats.agreement import CalibrationBin, ErrorRates, Judged
from pipeline.stats.intervals import Interval, wilson_interval
from pipeline.stats.rates import pooled_spread, rate_interval
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only
from pipeline.units import Floats

# Fewer judged finds than this say too little of one player; then the corpus's error rates are used.
ENOUGH_FINDS = 20
_STRETCH = ("sample_id", "transfer_id", "transfer_start_s", "transfer_end_s", "samples_sha256")


@dataclass(frozen=True)
class Stratum:
    """Judged items of one stratum; ``share`` is that of slides among them."""

    drawn_from: str
    name: str
    judged: Judged
    cannot_tell: int
    share: Interval


@dataclass(frozen=True)
class CorrectedRate:
    """Slides per 100 transitions of a player (None: the corpus): as found, and corrected for the error rates."""

    player_id: str | None
    found: Interval
    corrected: Interval
    own_errors: bool


@dataclass(frozen=True)
class ListeningResults:
    """Error rates of the finds, from the samples named."""

    samples: tuple[str, ...]
    listeners: tuple[str, ...]
    items: int
    strata: tuple[Stratum, ...]
    errors: ErrorRates
    rates: tuple[CorrectedRate, ...]
    kappa: float | None
    alpha: float | None
    calibration: tuple[CalibrationBin, ...]
    calibration_error: float
    kinds_right: Interval | None
    self_agreement: Interval | None


def listening_results(root: Path | str, *, seed: int = 1) -> ListeningResults:
    """Error rates from all verdicts on drawn items.

    Of several samples those drawn from the same strata are taken together; of different stratifications the one
    with most verdicts counts.

    Raises
    ------
    DataError
        If there is no database, no sample was drawn, or no find in it has been judged.
    """
    corpus = Corpus(root)
    items, verdicts = _verdicts(corpus)
    if verdicts.is_empty():
        raise DataError(
            f"{root}: no drawn item has been judged",
            f"draw with `glideline listen {typed(root)}`, judge, then take the "
            f"saved file in with `glideline listen {typed(root)} --take-in FILE`",
        )
    with open_read_only(corpus.root) as con:
        changes = con.sql(_CHANGES).pl()
        tallies = con.sql(_TALLIES).pl()
    once, given = (frame.filter(pl.col("repeat_of").is_null()) for frame in (items, verdicts))
    heard = _heard(once, given, _elsewhere(once, corpus.catalogue.frame("review"), changes))
    strata = _strata(once, heard)
    finds = [s.judged for s in strata if s.drawn_from == "slide"]
    if not any(judged.judged for judged in finds):
        raise DataError(f"{root}: no found slide has a clear verdict yet", "judge more items")
    errors = agreement.error_rates(finds, [s.judged for s in strata if s.drawn_from != "slide"], seed=[seed, 0])
    sure = heard.filter((pl.col("drawn_from") == "slide") & (pl.col("verdict") != "cannot_tell"))
    is_slide = (sure["verdict"] == "slide").to_numpy()
    confidences = sure["confidence"].fill_null(0.5).to_numpy()
    kappa, alpha = _agreement(given)
    return ListeningResults(
        samples=tuple(sorted(set(items["sample_id"]))),
        listeners=tuple(sorted(set(verdicts["listener"]))),
        items=heard.height,
        strata=strata,
        errors=errors,
        rates=_rates(tallies, once, strata, errors, seed=seed),
        kappa=kappa,
        alpha=alpha,
        calibration=tuple(agreement.calibration(confidences, is_slide)),
        calibration_error=agreement.calibration_error(confidences, is_slide),
        kinds_right=_kinds_right(sure),
        self_agreement=_self_agreement(verdicts),
    )


PLACE_STRATUM = "place "
"""How strata begin that are one place of a written part in all takes: chosen, not drawn, and left out here."""
_CHANGES = """
select
    transition.transfer_id, first_note.transfer_end_s - 0.05 as start_s, second_note.transfer_start_s + 0.05 as end_s,
from base.transition
join base.note as first_note on first_note.note_id = transition.from_note_id
join base.note as second_note on second_note.note_id = transition.to_note_id
where transition.exposure
order by all
"""
_TALLIES = """
select player_id, session_key, found_slides, transitions from fact.take_tally
where state = 'judged' and transitions > 0 order by player_id, session_key, take_id
"""


def _verdicts(corpus: Corpus) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Items of the samples used, and the last verdict of each listener on each of them."""
    items = corpus.catalogue.frame("drawn_item").filter(~pl.col("stratum").str.starts_with(PLACE_STRATUM))
    reviews = corpus.catalogue.frame("review").filter(pl.col("sample_id").is_not_null())
    exact = [pl.col(name).round(6) for name in ("transfer_start_s", "transfer_end_s")]
    matched = (
        reviews.with_columns(exact)
        .join(items.with_columns(exact), on=list(_STRETCH), how="inner", suffix="_item")
        .filter(pl.col("item_id").is_null() | (pl.col("item_id") == pl.col("item_id_item")))
        .with_columns(pl.col("item_id_item").alias("item_id"))
        .sort("sample_id", "item_id", "listener", "judged_on")
        .group_by("sample_id", "item_id", "listener", maintain_order=True)
        .last()
    )
    if matched.is_empty():
        return items, matched
    kinds = {
        sample: tuple(sorted(set(items.filter(pl.col("sample_id") == sample)["stratum"])))
        for sample in sorted(set(items["sample_id"]))
    }
    tallies: dict[tuple[str, ...], int] = {}
    for sample, count in matched.group_by("sample_id").len().sort("sample_id").iter_rows():
        tallies[kinds[sample]] = tallies.get(kinds[sample], 0) + count
    chosen = max(sorted(tallies), key=lambda strata: tallies[strata])
    used = [sample for sample, strata in kinds.items() if strata == chosen]
    return items.filter(pl.col("sample_id").is_in(used)), matched.filter(pl.col("sample_id").is_in(used))


def _elsewhere(items: pl.DataFrame, reviews: pl.DataFrame, changes: pl.DataFrame) -> dict[tuple[str, str], bool]:
    """For each stretch item: whether a slide heard in it lies at no change of note (see the module's words)."""
    marks = reviews.filter(pl.col("sample_id").is_null() & (pl.col("verdict") == "slide"))
    made = {}
    for item in items.filter(pl.col("drawn_from") == "stretch").iter_rows(named=True):
        start, end = item["transfer_start_s"], item["transfer_end_s"]
        near = changes.filter(
            (pl.col("transfer_id") == item["transfer_id"]) & (pl.col("start_s") < end) & (pl.col("end_s") > start)
        )
        own = marks.filter(
            (pl.col("transfer_id") == item["transfer_id"])
            & (pl.col("transfer_start_s") < end)
            & (pl.col("transfer_end_s") > start)
        )
        if own.is_empty():
            made[item["sample_id"], item["item_id"]] = near.is_empty()
            continue
        made[item["sample_id"], item["item_id"]] = any(
            near.filter((pl.col("start_s") < mark["transfer_end_s"]) & (pl.col("end_s") > mark["transfer_start_s"]))
            .is_empty()
            for mark in own.iter_rows(named=True)
        )  # fmt: skip
    return made


def _heard(items: pl.DataFrame, verdicts: pl.DataFrame, elsewhere: dict[tuple[str, str], bool]) -> pl.DataFrame:
    """Each judged item with the majority's verdict and kind."""
    rows: list[dict[str, Any]] = []
    for keys, group in verdicts.group_by("sample_id", "item_id", maintain_order=True):
        item = items.filter((pl.col("sample_id") == keys[0]) & (pl.col("item_id") == keys[1])).row(0, named=True)
        verdict = agreement.majority(group["verdict"].to_list())
        if item["drawn_from"] == "stretch" and verdict == "slide" and not elsewhere[item["sample_id"], item["item_id"]]:
            verdict = "no_slide"
        kinds = group["kind"].drop_nulls().to_list()
        rows.append({**item, "verdict": verdict, "heard_kind": agreement.majority(kinds) if kinds else None})
    return pl.DataFrame(rows, schema={**items.schema, "verdict": pl.String, "heard_kind": pl.String})


def _strata(items: pl.DataFrame, heard: pl.DataFrame) -> tuple[Stratum, ...]:
    made = []
    last = items.sort("sample_id").unique(["drawn_from", "stratum"], keep="last")
    for row in last.sort("drawn_from", "stratum").iter_rows(named=True):
        own = heard.filter((pl.col("drawn_from") == row["drawn_from"]) & (pl.col("stratum") == row["stratum"]))
        clear = own.filter(pl.col("verdict") != "cannot_tell")
        judged = Judged(
            slides=clear.filter(pl.col("verdict") == "slide").height,
            judged=clear.height,
            population=row["stratum_size"],
        )
        undecided = own.height - clear.height
        share = agreement.stratum_share(judged)
        made.append(Stratum(row["drawn_from"], row["stratum"], judged, undecided, share))
    return tuple(made)


def _rates(
    tallies: pl.DataFrame, items: pl.DataFrame, strata: tuple[Stratum, ...], errors: ErrorRates, *, seed: int
) -> tuple[CorrectedRate, ...]:
    owners: dict[tuple[str, str], set[str | None]] = {}
    for drawn_from, name, player in items.select("drawn_from", "stratum", "player_id").iter_rows():
        owners.setdefault((drawn_from, name), set()).add(player)
    made = []
    players: list[str | None] = [None, *sorted(set(tallies["player_id"].drop_nulls()))]
    sums = {player: _sums(tallies, player) for player in players}
    spread = pooled_spread([each for player, each in sums.items() if player is not None])
    for place, player in enumerate(players):
        counts, exposures = sums[player]
        rate = rate_interval(counts, exposures, seed=[seed, 1, place], pooled=None if player is None else spread)
        if rate is None:
            continue
        own = [s for s in strata if player is not None and owners[s.drawn_from, s.name] == {player}]
        finds = [s.judged for s in own if s.drawn_from == "slide"]
        enough = sum(judged.judged for judged in finds) >= ENOUGH_FINDS
        used = errors
        if enough:
            used = agreement.error_rates(
                finds, [s.judged for s in own if s.drawn_from != "slide"], seed=[seed, 2, place]
            )
        found = Interval(rate.estimate, rate.low, rate.high)
        made.append(CorrectedRate(player, found, agreement.corrected_rate(found, used), enough))
    return tuple(made)


def _sums(tallies: pl.DataFrame, player: str | None) -> tuple[Floats, Floats]:
    """Finds and hundreds of transitions, by session of a player; of the whole corpus by player."""
    rows = tallies if player is None else tallies.filter(pl.col("player_id") == player)
    cluster = "player_id" if player is None else "session_key"
    sums = rows.group_by(cluster).agg(pl.col("found_slides", "transitions").sum()).sort(cluster)
    return (
        sums["found_slides"].to_numpy().astype(np.float64),
        sums["transitions"].to_numpy().astype(np.float64) / 100,
    )


def _agreement(verdicts: pl.DataFrame) -> tuple[float | None, float | None]:
    """Cohen's kappa if two listeners judged the same items, Krippendorff's alpha if more did."""
    listeners = sorted(set(verdicts["listener"]))
    if len(listeners) < 2:
        return None, None
    wide = verdicts.pivot("listener", index=["sample_id", "item_id"], values="verdict")
    columns = [wide[name].to_list() for name in listeners]
    if len(listeners) == 2:
        names = ("slide", "no_slide", "cannot_tell")
        pairs = [(a, b) for a, b in zip(*columns, strict=True) if a and b]
        table = [[sum(pair == (a, b) for pair in pairs) for b in names] for a in names]
        return agreement.cohens_kappa(table), None
    return None, agreement.krippendorffs_alpha(columns)


def _self_agreement(verdicts: pl.DataFrame) -> Interval | None:
    """Share of items heard twice by one listener that were judged alike; None if there are none."""
    own = ("sample_id", "listener")
    again = verdicts.filter(pl.col("repeat_of").is_not_null()).select(*own, "repeat_of", "verdict")
    pairs = again.join(
        verdicts.select(*own, "item_id", pl.col("verdict").alias("first")),
        left_on=[*own, "repeat_of"],
        right_on=[*own, "item_id"],
    )
    if pairs.is_empty():
        return None
    return wilson_interval(pairs.filter(pl.col("verdict") == pl.col("first")).height, trials=pairs.height)


def _kinds_right(sure: pl.DataFrame) -> Interval | None:
    """Share of found kinds that listeners heard too, among slides whose kind they could tell."""
    told = sure.filter(
        (pl.col("verdict") == "slide") & pl.col("heard_kind").is_not_null() & (pl.col("heard_kind") != "cannot_tell")
    )
    if told.is_empty():
        return None
    right = told.filter(pl.col("heard_kind") == pl.col("found_kind")).height
    return agreement.stratum_share(Judged(right, told.height, told.height))
