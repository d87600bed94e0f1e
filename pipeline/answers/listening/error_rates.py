"""What the listening checks say: how often finds are right, and what is missed.

Only drawn items enter. Missed slides are counted where they can lie: at changes of note without a find, and in
stretches without a find where there is no change of note that could hold them, so that none counts twice. Rates
with that error carried along are those of the views, as of the last run.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.answers.listening.alike import Alike, alike
from pipeline.errors import DataError, typed
from pipeline.stats import agreement
from pipeline.stats.agreement import CalibrationBin, ErrorRates, Judged
from pipeline.stats.intervals import Interval
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only

_STRETCH = ("sample_id", "transfer_id", "transfer_start_s", "transfer_end_s", "samples_sha256")


@dataclass(frozen=True)
class Stratum:
    """Judged items of one stratum; ``share`` is that of slides among them.

    ``cannot_tell`` counts what listeners could not tell, ``differed`` that of which as many said one thing as another.
    """

    drawn_from: str
    name: str
    judged: Judged
    cannot_tell: int
    differed: int
    share: Interval


@dataclass(frozen=True)
class CorrectedRate:
    """Slides per 100 transitions of a player (None: the corpus) as the views give them: as found, and corrected.

    ``corrected`` is None where nothing is known of misses and inventions; ``correction`` says from what it comes.
    """

    player_id: str | None
    found: Interval
    corrected: Interval | None
    correction: str


@dataclass(frozen=True)
class ListeningResults:
    """Error rates of the finds, from the samples named; ``new_verdicts`` are not in ``rates`` yet."""

    samples: tuple[str, ...]
    listeners: tuple[str, ...]
    items: int
    strata: tuple[Stratum, ...]
    errors: ErrorRates
    rates: tuple[CorrectedRate, ...]
    new_verdicts: int
    calibration: tuple[CalibrationBin, ...]
    calibration_error: float
    kinds_right: Interval | None
    alike: Alike


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
        changes, rates = con.sql(_CHANGES).pl(), con.sql(_RATES).pl()
        known = con.sql("select count(*) from base.review").fetchall()[0][0]
    once, given = (frame.filter(pl.col("repeat_of").is_null()) for frame in (items, verdicts))
    reviews = corpus.catalogue.frame("review")
    heard = _heard(once, given, _elsewhere(once, reviews, changes))
    strata = _strata(once, heard)
    finds = [s.judged for s in strata if s.drawn_from == "slide"]
    if not any(judged.judged for judged in finds):
        raise DataError(f"{root}: no found slide has a clear verdict yet", "judge more items")
    errors = agreement.error_rates(finds, [s.judged for s in strata if s.drawn_from != "slide"], seed=[seed, 0])
    sure = heard.filter((pl.col("drawn_from") == "slide") & (pl.col("verdict") != "cannot_tell"))
    is_slide = (sure["verdict"] == "slide").to_numpy()
    confidences = sure["confidence"].fill_null(0.5).to_numpy()
    return ListeningResults(
        samples=tuple(sorted(set(items["sample_id"]))),
        listeners=tuple(sorted(set(verdicts["listener"]))),
        items=heard.height,
        strata=strata,
        errors=errors,
        rates=tuple(_rate(row) for row in rates.iter_rows(named=True)),
        new_verdicts=reviews.height - known,
        calibration=tuple(agreement.calibration(confidences, is_slide)),
        calibration_error=agreement.calibration_error(confidences, is_slide),
        kinds_right=_kinds_right(sure),
        alike=alike(verdicts, _marks(corpus), lambda name: corpus.read("pitch_frame", name), seed=seed),
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
_RATES = """
select
    player_id, slides_per_100_transitions as rate, slides_per_100_transitions_low as rate_low,
    slides_per_100_transitions_high as rate_high, slides_per_100_transitions_corrected as corrected,
    slides_per_100_transitions_corrected_low as corrected_low,
    slides_per_100_transitions_corrected_high as corrected_high, correction,
from (
    from summary.slides_in_corpus
    union all by name
    from summary.slides_by_player where player_id is not null
)
where rate_low is not null order by player_id nulls first
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
        heard_kind = agreement.majority(kinds) if kinds else None
        differed = verdict == "cannot_tell" and not (group["verdict"] == "cannot_tell").any()
        rows.append({**item, "verdict": verdict, "heard_kind": heard_kind, "differed": differed})
    return pl.DataFrame(
        rows, schema={**items.schema, "verdict": pl.String, "heard_kind": pl.String, "differed": pl.Boolean}
    )


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
        differed = int(own["differed"].sum())
        unclear = own.height - clear.height - differed
        share = agreement.stratum_share(judged)
        made.append(Stratum(row["drawn_from"], row["stratum"], judged, unclear, differed, share))
    return tuple(made)


def _rate(row: dict[str, Any]) -> CorrectedRate:
    found, corrected = (
        Interval(*(row[f"{name}{end}"] for end in ("", "_low", "_high"))) if row[name] is not None else None
        for name in ("rate", "corrected")
    )
    assert found is not None
    return CorrectedRate(row["player_id"], found, corrected, row["correction"])


def _marks(corpus: Corpus) -> pl.DataFrame:
    """All slides that listeners marked: with the brackets of an excerpt, or on their own."""
    columns = ("transfer_id", "samples_sha256", "listener", "transfer_start_s", "transfer_end_s")
    brackets = corpus.catalogue.frame("review").filter(pl.col("sample_id").is_null() & (pl.col("verdict") == "slide"))
    own = corpus.catalogue.frame("mark")
    return pl.concat([each.select(columns) for each in (brackets, own)]).unique().sort(columns)


def _kinds_right(sure: pl.DataFrame) -> Interval | None:
    """Share of found kinds that listeners heard too, among slides whose kind they could tell."""
    told = sure.filter(
        (pl.col("verdict") == "slide") & pl.col("heard_kind").is_not_null() & (pl.col("heard_kind") != "cannot_tell")
    )
    if told.is_empty():
        return None
    right = told.filter(pl.col("heard_kind") == pl.col("found_kind")).height
    return agreement.stratum_share(Judged(right, told.height, told.height))
