"""What is counted at one least certainty of attributions and teaching: rates of players and schools, the lineage."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import quote

import polars as pl

from pipeline.answers.number_words import count_words, minutes_words, with_limits
from pipeline.kinds import KINDS
from pipeline.pages import charts
from pipeline.pages.render import drawing
from pipeline.stats.lineage import CERTAINTIES

View = Callable[[str], pl.DataFrame]
Row = Mapping[str, Any]

_WORDS = {"possible": "all, also those only possible", "probable": "at least probable", "certain": "certain only"}


@dataclass(frozen=True)
class Level:
    """A least certainty, and the views of the corpus when only what is as sure counts."""

    least: str
    view: View

    @property
    def words(self) -> str:
        """What counts."""
        return _WORDS[self.least]


def least_certainties(view: View) -> list[str]:
    """The least certainties that make a difference in a corpus, the widest, which counts all, first."""
    there = {name for table in ("base.performance", "base.teaching") for name in view(table)["certainty"].unique()}
    found = [name for name in CERTAINTIES if name in there]
    return ["possible", *found[1:]]


def counted(level: Level, *, base: View) -> dict[str, Any]:
    """Charts and tables of a level; ``base`` gives views that no choice changes."""
    players = by_birth(level.view("summary.slides_by_player"), base)
    schools = level.view("summary.slides_by_school").to_dicts()
    people, links = _lineage(base, players, least=level.least)
    sliding = [row | {"way": way(row["school"])} for row in schools if row["slides"]]
    return {
        "least": level.least,
        "words": level.words,
        "players": [rates(row, named(row), way(row["player"]) if row["player_id"] else "") for row in players],
        "chart_players": drawing(charts.rates_by_player(players)),
        "chart_lineage": drawing(charts.lineage(people, links)) if links else "",
        "lineage_words": _lineage_words(level.view("summary.lineage_by_generation"), level.words),
        "schools": [
            rates(
                row,
                f"{row['school'] or 'in no school'} ({row['scheme'] or 'no scheme'}){doubtful(row)}",
                way(row["school"]) if row["school"] else "",
            )
            for row in schools
        ],
        "chart_kinds": drawing(charts.kinds_by_school(sliding, KINDS)) if sliding else "",
    }


def way(words: str) -> str:
    """The way to the sides that a player, a school or a year stands for: they are searched for by these words."""
    return f"#sides:{quote(words)}"


def by_birth(rows: pl.DataFrame, base: View) -> list[dict[str, Any]]:
    """Players by the middle of the dates of birth that the catalogue allows: 187X stands at the end of 1874."""
    born = {
        row["player_id"]: _middle(row["born_earliest"], row["born_latest"]) for row in base("base.player").to_dicts()
    }
    made = [row | {"way": way(row["player"]) if row["player_id"] else ""} for row in rows.to_dicts()]
    return sorted(made, key=lambda row: (born.get(row["player_id"], date.max), row["player"] or ""))


def _middle(earliest: date | None, latest: date | None) -> date:
    if earliest is None or latest is None:
        return earliest or latest or date.max
    return earliest + (latest - earliest) / 2


def named(row: Row) -> str:
    """A player's name, with the takes that may not be the player's."""
    return (row["player"] or row["player_id"] or "no single player named") + doubtful(row)


def doubtful(row: Row) -> str:
    """How many of the takes counted are of a player who is named as possible or probable only."""
    if not row["takes_doubtful"]:
        return ""
    return f", {count_words(row['takes_doubtful'])} of {count_words(row['takes'])} takes doubtful"


def rates(row: Row, name: str, link: str) -> dict[str, str]:
    """A line of the table of rates."""
    missed = f" ({count_words(row['takes_not_judged'])})" if row["takes_not_judged"] else ""
    return {
        "name": name,
        "way": link,
        "takes": f"{count_words(row['takes'] or 0)}{missed}",
        "minutes": minutes_words(row["minutes"] or 0),
        "transitions": count_words(row["transitions"] or 0),
        "slides": count_words(row["found_slides"] or 0),
        "per_minute": limits(row, "slides_per_minute"),
        "per_100": limits(row, "slides_per_100_transitions"),
        "per_100_slurred": limits(row, "slides_per_100_slurred_transitions"),
        "warning": row["warning"] or "",
    }


def limits(row: Row, name: str) -> str:
    """A rate with its limits."""
    if row[name] is None:
        return "–"
    return with_limits(row[name], row.get(f"{name}_low"), row.get(f"{name}_high"))


def _lineage(base: View, players: Sequence[Row], *, least: str) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    found = {row["player_id"]: row for row in players}
    allowed = CERTAINTIES[CERTAINTIES.index(least) :]
    teaching = base("base.teaching").sort("teacher_id", "student_id")
    links = teaching.filter(pl.col("certainty").is_in(allowed)).to_dicts()
    linked = {person for link in links for person in (link["teacher_id"], link["student_id"])}
    people = []
    for row in base("base.player").to_dicts():
        own = found.get(row["player_id"], {})
        if row["player_id"] not in linked and not own:
            continue
        days = [day for day in (row["born_earliest"], row["born_latest"]) if day is not None]
        people.append(
            {
                "player_id": row["player_id"],
                "player": row["name"],
                "takes": own.get("takes"),
                "way": way(row["name"]) if own else "",
                "year": sum(day.year for day in days) / len(days) if days else None,
                "slides_per_100_transitions": own.get("slides_per_100_transitions"),
            }
        )
    people.sort(key=lambda row: (row["year"] is None, row["year"] or 0, row["player"]))
    return people, links


def _lineage_words(generations: pl.DataFrame, counted_words: str) -> str:
    """Each generation's rate below the ancestor with most descendants who recorded."""
    rows = generations.to_dicts()
    if not rows:
        return "No teaching is recorded in the catalogue, or none as sure."
    chief = _chief(rows)
    line = sorted((row for row in rows if row["ancestor_id"] == chief), key=lambda row: row["generation"])
    names = ("{ancestor}", "students", "students of students")
    said = [
        f"{names[row['generation']] if row['generation'] < len(names) else 'generation ' + str(row['generation'])}: "
        f"{limits(row, 'slides_per_100_transitions')}"
        for row in line
    ]
    words = "; ".join(said).replace("{ancestor}", line[0]["ancestor"] or chief)
    return f"Slides per 100 transitions: {words}. Attributions and teaching counted: {counted_words}."


def _chief(rows: Iterable[Row]) -> str:
    tallies: dict[str, int] = {}
    for row in rows:
        tallies[row["ancestor_id"]] = tallies.get(row["ancestor_id"], 0) + int(row["players"] or 0)
    return min(tallies, key=lambda ancestor: (-tallies[ancestor], ancestor))
