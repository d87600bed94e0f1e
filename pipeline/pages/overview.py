"""The overview page: what the corpus holds, rates by player, year, lineage and school, and the speed ledger."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from pipeline.answers.number_words import (
    count_words,
    given_words,
    ledger_remark,
    minutes_words,
    over_all_words,
    with_limits,
)
from pipeline.answers.sentences import sentences
from pipeline.pages import charts
from pipeline.pages.render import drawing, page
from pipeline.signal.slides.kinds import KINDS

View = Callable[[str], pl.DataFrame]
Row = Mapping[str, Any]

# Wider intervals are drawn together.
WIDEST = 13

# Views whose answers are said in sentences.
_SAID = ("comparison", "cohort_and_period_effect", "lineage_resemblance")

_LEDGER_ORDER = {"ambiguous": 0, "unmeasurable": 1, "estimated": 2, "decided": 3}


def overview(view: View, *, corpus_title: str, sides: Sequence[Row], passages: Sequence[Row] = ()) -> str:
    """The page.

    Parameters
    ----------
    view : gives a view of the database by its full name.
    passages : page, title and words of each work that has a page of its passages.
    sides : transfer_id, side_id, title, recorded, found and has_page of each transfer, in the report's order.
    """
    takes = view("fact.take_tally").to_dicts()
    players = _by_birth(view)
    names = {row["player_id"]: row["player"] for row in players}
    for take in takes:
        take["player"] = names.get(take["player_id"]) or take["player_id"] or "nobody named"
    order = {row["player_id"]: place for place, row in enumerate(players)}
    takes.sort(
        key=lambda take: (
            order.get(take["player_id"], len(order)), take["recorded_earliest"] or date.max, take["take_id"],
        )
    )  # fmt: skip
    schools = view("summary.slides_by_school").to_dicts()
    people, links = _lineage(view, players)
    sliding = [row for row in schools if row["slides"]]
    by_interval = _intervals_by_school(view, schools)
    totals = view("summary.slides_in_corpus").to_dicts()
    return page(
        "overview.html.j2",
        passages=passages,
        root="",
        title=corpus_title or "Slides in this corpus",
        corpus_title=corpus_title,
        subheading=_subheading(totals),
        holds=_holds(takes, len(players), sides),
        chart_sides=drawing(charts.sides_by_year(takes)),
        undated_words=_undated(takes),
        doubts=view("summary.missing_or_doubtful").to_dicts(),
        players=[_rates(row, row["player"] or row["player_id"] or "nobody named") for row in players],
        chart_players=drawing(charts.rates_by_player(players)),
        chart_years=drawing(charts.rates_over_years(takes)),
        chart_lineage=drawing(charts.lineage(people, links)) if links else "",
        lineage_words=_lineage_words(view),
        schools=[_rates(row, f"{row['school'] or 'in no school'} ({row['scheme'] or 'no scheme'})") for row in schools],
        chart_kinds=drawing(charts.kinds_by_school(sliding, KINDS)) if sliding else "",
        chart_intervals=drawing(charts.intervals_by_school(by_interval, widest=WIDEST)) if by_interval else "",
        intervals=[
            {
                "semitones": row["semitones"],
                "direction": row["direction"],
                "transitions": count_words(row["transitions"] or 0),
                "slides": count_words(row["slides"] or 0),
                "rate": _interval(row, "slides_per_100_transitions"),
            }
            for row in view("summary.slides_by_interval").sort("semitones", "direction").to_dicts()
        ],
        said=[text for name in _SAID for text in sentences(name, view(f"summary.{name}")) or ()],
        speeds=_speeds(view),
        sides=sides,
    )


def _intervals_by_school(view: View, schools: Sequence[Row]) -> list[tuple[str, list[dict[str, Any]]]]:
    """Changes of note and slides by interval of each school's players, by their share in it."""
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
            made.append((school["school"] or school["school_id"], rows))
    return made


def _by_birth(view: View) -> list[dict[str, Any]]:
    """By the middle of the dates of birth that the catalogue allows: 187X stands at the end of 1874."""
    born = {
        row["player_id"]: _middle(row["born_earliest"], row["born_latest"]) for row in view("base.player").to_dicts()
    }
    rows = view("summary.slides_by_player").to_dicts()
    return sorted(rows, key=lambda row: (born.get(row["player_id"], date.max), row["player"] or ""))


def _middle(earliest: date | None, latest: date | None) -> date:
    if earliest is None or latest is None:
        return earliest or latest or date.max
    return earliest + (latest - earliest) / 2


def _rates(row: Row, name: str) -> dict[str, str]:
    missed = f" ({count_words(row['takes_not_judged'])})" if row["takes_not_judged"] else ""
    return {
        "name": name,
        "takes": f"{count_words(row['takes'] or 0)}{missed}",
        "minutes": minutes_words(row["minutes"] or 0),
        "transitions": count_words(row["transitions"] or 0),
        "slides": count_words(row["slides"] or 0),
        "per_minute": _interval(row, "slides_per_minute"),
        "per_100": _interval(row, "slides_per_100_transitions"),
        "per_100_slurred": _interval(row, "slides_per_100_slurred_transitions"),
        "warning": row["warning"] or "",
    }


def _interval(row: Row, name: str) -> str:
    if row[name] is None:
        return "–"
    return with_limits(row[name], row.get(f"{name}_low"), row.get(f"{name}_high"))


def _subheading(totals: list[dict[str, Any]]) -> str:
    if not totals or totals[0]["slides"] is None:
        return "Nothing has been judged yet."
    row = totals[0]
    words = f"{row['slides']:.0f} slides in {row['transitions']:.0f} transitions, {row['minutes']:.1f} minutes of solo"
    if row["slides_per_100_transitions"] is None:
        return f"{words}. Rates have not been worked out; see the state of the step summarise."
    return (
        f"{words}: {_interval(row, 'slides_per_minute')} a minute, "
        f"{_interval(row, 'slides_per_100_transitions')} per 100 transitions (with 95 % intervals)."
    )


def _holds(takes: Sequence[Row], players: int, transfers: Sequence[Row]) -> str:
    judged = sum(take["state"] == "judged" for take in takes)
    left = len(takes) - judged
    sides = len({row["side_id"] for row in transfers})
    words = f"{len(takes)} takes by {players} players on {sides} sides, in {len(transfers)} transfers; {judged} judged"
    return f"{words}, {left} not (the reasons are listed below)." if left else f"{words}."


def _undated(takes: Sequence[Row]) -> str:
    undated = [t for t in takes if t["recorded_earliest"] is None or t["recorded_latest"] is None]
    if not undated:
        return "Each bar covers all dates that the catalogue allows."
    return f"Each bar covers all dates that the catalogue allows; {len(undated)} takes without them are not drawn."


def _lineage(view: View, players: Sequence[Row]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    rates = {row["player_id"]: row["slides_per_100_transitions"] for row in players}
    takes = {row["player_id"]: row["takes"] for row in players}
    links = view("base.teaching").sort("teacher_id", "student_id").to_dicts()
    linked = {person for link in links for person in (link["teacher_id"], link["student_id"])}
    people = []
    for row in view("base.player").to_dicts():
        if row["player_id"] not in linked and row["player_id"] not in rates:
            continue
        days = [day for day in (row["born_earliest"], row["born_latest"]) if day is not None]
        people.append(
            {
                "player_id": row["player_id"],
                "player": row["name"],
                "takes": takes.get(row["player_id"]),
                "year": sum(day.year for day in days) / len(days) if days else None,
                "slides_per_100_transitions": rates.get(row["player_id"]),
            }
        )
    people.sort(key=lambda row: (row["year"] is None, row["year"] or 0, row["player"]))
    return people, links


def _lineage_words(view: View) -> str:
    """Each generation's rate below the ancestor with most descendants who recorded."""
    rows = view("summary.lineage_by_generation").to_dicts()
    if not rows:
        return "No teaching is recorded in the catalogue."
    tallies: dict[str, int] = {}
    for row in rows:
        tallies[row["ancestor_id"]] = tallies.get(row["ancestor_id"], 0) + int(row["players"] or 0)
    chief = min(tallies, key=lambda ancestor: (-tallies[ancestor], ancestor))
    line = sorted((row for row in rows if row["ancestor_id"] == chief), key=lambda row: row["generation"])
    names = ("{ancestor}", "students", "students of students")
    said = [
        f"{names[row['generation']] if row['generation'] < len(names) else 'generation ' + str(row['generation'])}: "
        f"{_interval(row, 'slides_per_100_transitions')}"
        for row in line
    ]
    words = "; ".join(said).replace("{ancestor}", line[0]["ancestor"] or chief)
    return f"Slides per 100 transitions: {words}."


def _speeds(view: View) -> list[dict[str, str]]:
    rows = view("summary.speed_ledger").filter(pl.col("state") != "not measured").to_dicts()
    rows.sort(key=lambda row: (_LEDGER_ORDER[row["state"]], row["transfer_id"]))
    return [
        {
            "transfer_id": row["transfer_id"],
            "state": row["state"],
            "offset": f"{row['offset_cents']:+.1f}".replace("-", "−"),
            "given": given_words(row["offset_se_cents"]),
            "over_all": over_all_words(row["offset_low_cents"], row["offset_high_cents"]),
            "rpm": "" if row["playing_rpm"] is None else f"{row['playing_rpm']:.2f}",
            "reference": f"{row['reference_pitch_hz']:.1f}",
            "key": row["key"] or "",
            "remark": ledger_remark(row),
        }
        for row in rows
    ]
