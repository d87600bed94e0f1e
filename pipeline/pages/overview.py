"""The overview page: what the corpus holds, rates by player, year, lineage and school, and the speed ledger."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from pipeline.answers.counts import counts, with_soloists
from pipeline.answers.number_words import (
    count_words,
    doubt_words,
    given_words,
    ledger_remark,
    over_all_words,
    signed,
)
from pipeline.answers.sentences import sentences
from pipeline.answers.short_sentences import beside_words
from pipeline.counted import counted as number_of
from pipeline.pages import charts
from pipeline.pages.counted import Level, View, by_birth, counted, limits, way
from pipeline.pages.render import drawing, page
from pipeline.store.schema.date_words import date_words

Row = Mapping[str, Any]

# Wider intervals are drawn together.
WIDEST = 13

# Views whose answers are said in sentences.
_SAID = (
    "slides_in_corpus",
    "slides_by_school",
    "slides_by_period",
    "comparison",
    "place_effect",
    "cohort_and_period_effect",
    "lineage_resemblance",
)

_LEDGER_ORDER = {"ambiguous": 0, "unmeasurable": 1, "estimated": 2, "decided": 3}


def overview(levels: Sequence[Level], *, corpus_title: str, sides: Sequence[Row], passages: Sequence[Row] = ()) -> str:
    """The page.

    Parameters
    ----------
    levels : views of the database by full name, at each least certainty; the first counts all.
    passages : page, title and words of each work that has a page of its passages.
    sides : transfer_id, side_id, title, recorded, found, find (what it is found by) and has_page of each transfer, in
        the report's order.
    """
    view = levels[0].view
    players = by_birth(view("summary.slides_by_player"), view)
    takes = _takes(view, players, pages={row["transfer_id"] for row in sides if row["has_page"]})
    dated = [take for take in takes if take["recorded_earliest"] and take["recorded_latest"]]
    rated = [take for take in dated if take["slides_per_100_transitions"] is not None]
    by_interval = _intervals_by_school(view, view("summary.slides_by_school").to_dicts())
    return page(
        "overview.html.j2",
        passages=passages,
        root="",
        title=corpus_title or "Slides in this corpus",
        corpus_title=corpus_title,
        subheading=_subheading(view("summary.slides_in_corpus").to_dicts()),
        holds=_holds(takes, sides, view("base.performance").to_dicts()),
        chart_sides=drawing(charts.sides_by_year(takes)) if dated else "",
        dates_words=_dates(len(takes), dated=len(dated)),
        doubts=view("summary.missing_or_doubtful").to_dicts(),
        levels=[counted(level, base=view) for level in levels],
        chart_years=drawing(charts.rates_over_years(rated)) if rated else "",
        chart_intervals=drawing(charts.intervals_by_school(by_interval, widest=WIDEST)) if by_interval else "",
        intervals=[
            {
                "semitones": row["semitones"],
                "direction": row["direction"],
                "transitions": count_words(row["transitions"] or 0),
                "slides": count_words(row["found_slides"] or 0),
                "rate": limits(row, "slides_per_100_transitions"),
            }
            for row in view("summary.slides_by_interval").sort("semitones", "direction").to_dicts()
        ],
        said=[text for name in _SAID for text in sentences(name, view(f"summary.{name}")) or ()],
        speeds=_speeds(view),
        sides=sides,
    )


def _takes(view: View, players: Sequence[Row], *, pages: Collection[str]) -> list[dict[str, Any]]:
    """Takes by player and date, each with its player's name and the way to the page of its side."""
    rows = view("fact.take_tally").to_dicts()
    names = {row["player_id"]: row["player"] for row in players}
    order = {row["player_id"]: place for place, row in enumerate(players)}
    standing = view("stage.analysed_take").sort("take_id", "part", descending=True)
    side = {row["take_id"]: row["transfer_id"] for row in standing.to_dicts() if row["transfer_id"] in pages}
    for take in rows:
        take["player"] = names.get(take["player_id"]) or take["player_id"] or "no single player named"
        take["way"] = f"side/{side[take['take_id']]}.html" if take["take_id"] in side else ""
        take["player_way"] = way(take["player"]) if take["player_id"] else ""
        take["words"] = f"{take['player']}{doubt_words(take['certainty'])}, {date_words(take['recorded'] or 'undated')}"
    rows.sort(
        key=lambda take: (
            order.get(take["player_id"], len(order)), take["recorded_earliest"] or date.max, take["take_id"],
        )
    )  # fmt: skip
    return rows


def _intervals_by_school(view: View, schools: Sequence[Row]) -> list[tuple[str, str, list[dict[str, Any]]]]:
    """Transitions and slides by interval of each school's players, by share, and the way to its sides."""
    counted = (
        view("fact.transition")
        .join(view("fact.school_member"), on="player_id", how="inner")
        .filter(pl.col("semitones") >= 1)
        .group_by("school_id", "scheme", "direction", pl.col("semitones").clip(upper_bound=WIDEST))
        .agg(
            pl.col("share").sum().alias("transitions"),
            pl.col("share").filter(pl.col("has_slide")).sum().alias("slides"),
        )
        .sort("direction", "semitones")
    )
    made = []
    for school in schools:
        rows = counted.filter(
            (pl.col("school_id") == school["school_id"]) & (pl.col("scheme") == school["scheme"])
        ).to_dicts()
        if rows:
            made.append((school["school"] or school["school_id"], way(school["school"] or school["school_id"]), rows))
    return made


def _subheading(totals: list[dict[str, Any]]) -> str:
    if not totals or totals[0]["found_slides"] is None:
        return "Nothing has been judged yet."
    row = totals[0]
    words = f"{number_of(row['found_slides'], 'slide')} found in {number_of(row['transitions'], 'transition')}, "
    words += f"{row['minutes']:.1f} minutes of solo"
    if row["slides_per_100_transitions"] is None:
        return f"{words}. Rates have not been worked out; see the state of the step summarise."
    untimed = row["takes_of_unmeasurable_speed"]
    without = f" (without {number_of(untimed, 'take')} whose speed cannot be told)" if untimed else ""
    caution = "; ".join(text for text in ("with 95 % intervals", row["warning"]) if text)
    return (
        f"{words}: {limits(row, 'slides_per_minute')} a minute{without}, "
        f"{limits(row, 'slides_per_100_transitions')} per 100 transitions ({caution})."
    )


def _holds(takes: Sequence[Row], transfers: Sequence[Row], performances: Sequence[Row]) -> str:
    pairs = [(take["take_id"], take["player_id"]) for take in takes]
    whole = counts(with_soloists(pairs, performances))
    judged = counts(pair for pair, take in zip(pairs, takes, strict=True) if take["state"] == "judged").takes
    doubtful = counts(pair for pair, take in zip(pairs, takes, strict=True) if doubt_words(take["certainty"])).takes
    sides = number_of(len({row["side_id"] for row in transfers}), "side")
    words = f"{whole.words()} on {sides}, in {number_of(len(transfers), 'transfer')}; {judged} judged"
    left = whole.takes - judged
    words += f", {left} not (the reasons are listed below)." if left else "."
    if doubtful:
        named = "as possible or probable only"
        one, more = (
            f"is of a player named {named}; it counts, and is",
            f"are of players named {named}; they count, and are",
        )
        words += f" {number_of(doubtful, 'take')} {one if doubtful == 1 else more} marked."
    return words


def _dates(takes: int, *, dated: int) -> str:
    if not dated:
        return "No date of recording is known, so no take is drawn by its date."
    missing = f"; not drawn, for want of a date: {number_of(takes - dated, 'take')}" if dated < takes else ""
    return f"Each bar covers all dates that the catalogue allows{missing}."


def _speeds(view: View) -> list[dict[str, str]]:
    rows = view("summary.speed_ledger").filter(pl.col("state") != "not measured").to_dicts()
    rows.sort(key=lambda row: (_LEDGER_ORDER[row["state"]], row["transfer_id"]))
    beside = view("summary.speed_beside_others").filter(pl.col("doubtful")).sort("transfer_id", "beside", "other_id")
    doubts: dict[str, list[str]] = defaultdict(list)
    for row in beside.to_dicts():
        doubts[row["transfer_id"]].append(f"beside {beside_words(row)}")
    return [
        {
            "transfer_id": row["transfer_id"],
            "state": row["state"],
            "offset": "cannot tell" if row["state"] == "unmeasurable" else signed(row["offset_cents"], 1),
            "given": given_words(row["offset_se_cents"]),
            "over_all": over_all_words(row["offset_low_cents"], row["offset_high_cents"]),
            "rpm": "" if row["playing_rpm"] is None else f"{row['playing_rpm']:.2f}",
            "reference": "" if row["reference_pitch_hz"] is None else f"{row['reference_pitch_hz']:.1f}",
            "key": row["key"] or "",
            "remark": "; ".join(words for words in (ledger_remark(row), *doubts[row["transfer_id"]]) if words),
        }
        for row in rows
    ]
