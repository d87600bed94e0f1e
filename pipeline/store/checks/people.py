"""Cross checks of people, teaching, schools, periods and usual pitches and speeds."""

from collections import defaultdict
from datetime import date
from itertools import pairwise
from typing import Any

from pipeline.store.catalogue import teaching
from pipeline.store.catalogue.likeness import fuller, like_names, like_titles
from pipeline.store.checks.findings import Findings, before
from pipeline.units import a4_of_fork

LOWEST_A4_HZ, HIGHEST_A4_HZ = 380.0, 500.0
_EARLY_LIFE, _LATE_LIFE = date(1600, 1, 1), date(2030, 1, 1)


def check_people(found: Findings) -> None:
    """Adds what is wrong or noteworthy about people and what they are counted to."""
    _players(found)
    _likenesses(found)
    _teaching(found)
    _schools(found)
    _periods(found)
    _usual_values(found)


def _players(found: Findings) -> None:
    by_name: dict[str, dict[str, Any]] = {}
    by_number: dict[tuple[str, str], dict[str, Any]] = {}
    for player in found.catalogue.rows("player"):
        if before(player, "died", player, "born"):
            found.error(
                "player", player, "died", f"is before the birth ({player['born']})", "mend one of the two dates"
            )
        if player["born_latest"] and player["born_latest"] < _EARLY_LIFE:
            found.error("player", player, "born", "is long before there were recordings", "look for a slip of the keys")
        if player["born_earliest"] and player["born_earliest"] > _LATE_LIFE:
            found.error("player", player, "born", "is in the future", "look for a slip of the keys")
        name = " ".join(player["name"].casefold().split())
        if name in by_name:
            other = by_name[name]["player_id"]
            found.remark(
                "player", player, "name", f"is also the name of {other}", "keep one row if they are one person"
            )
        by_name.setdefault(name, player)
        for column in ("isni", "viaf", "wikidata", "musicbrainz"):
            number = (player[column] or "").replace(" ", "")
            if number and (column, number) in by_number:
                other = by_number[column, number]["player_id"]
                found.error(
                    "player", player, column, f"stands also at {other}", "one of the two is wrong, or one person"
                )
            elif number:
                by_number[column, number] = player


def _likenesses(found: Findings) -> None:
    """Two spellings of one name or title; silent where the note of one of the two names the other's id."""
    for table, column, pairs in (("player", "name", like_names), ("work", "title", like_titles)):
        rows: dict[str, list[Any]] = defaultdict(list)
        for row in found.catalogue.rows(table):
            rows[row[column]].append(row)
        for one, two in pairs(rows):
            if one.casefold() == two.casefold():
                continue  # said above
            kept, other = (rows[name][0] for name in ((one, two) if fuller(one, two) == one else (two, one)))
            ids = kept[f"{table}_id"], other[f"{table}_id"]
            composers = {row.get("composer") for row in (kept, other)} - {None}
            if len(composers) > 1 or ids[1] in (kept["note"] or "") or ids[0] in (other["note"] or ""):
                continue
            message = f"is much like {kept[column]!r} ({ids[0]})"
            cure = (
                f"if they are one, write {ids[0]} for {ids[1]} wherever it stands and take this row out; "
                f"if not, name {ids[0]} in the note"
            )
            found.remark(table, other, column, message, cure)


def _teaching(found: Findings) -> None:
    players = {row["player_id"]: row for row in found.catalogue.rows("player")}
    for row in found.catalogue.rows("teaching"):
        if strange := teaching.odd(row, players=players):
            found.remark("teaching", row, *strange)


def _schools(found: Findings) -> None:
    shares: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for row in found.catalogue.rows("school_membership"):
        school = found.catalogue.row("school", row["school_id"]) or {}
        shares[row["player_id"], school["scheme"]].append(row)
    for (_, scheme), rows in shares.items():
        given = [row["share"] for row in rows if row["share"] is not None]
        if sum(given) > 1 + 1e-9:
            total = f"{sum(given):g}"
            message = f"makes the shares of this player in scheme {scheme} add up to {total}"
            found.error("school_membership", rows[-1], "share", message, "lower them to at most 1 together")
        if given and len(given) < len(rows):
            empty = next(row for row in rows if row["share"] is None)
            found.error(
                "school_membership",
                empty,
                "share",
                "is empty while other shares of this player are given",
                "give all or none",
            )


def _periods(found: Findings) -> None:
    schemes: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in found.catalogue.rows("period"):
        schemes[row["scheme"]].append(row)
    for scheme, rows in schemes.items():
        rows.sort(key=lambda row: (row["span_earliest"] or date.min, row["span_latest"] or date.max))
        for one, two in pairwise(rows):
            if (one["span_latest"] or date.max) >= (two["span_earliest"] or date.min):
                message = f"overlaps {one['period_id']} ({one['span']}) of scheme {scheme}"
                found.error("period", two, "span", message, "let one begin after the other ends: 1902/1914, 1915/1925")


def _usual_values(found: Findings) -> None:
    places: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in found.catalogue.rows("default_pitch"):
        places[row["place"].casefold()].append(row)
    for rows in places.values():
        rows.sort(key=lambda row: (row["span_earliest"] or date.min, row["span_latest"] or date.max))
        for one, two in pairwise(rows):
            if (one["span_latest"] or date.max) >= (two["span_earliest"] or date.min):
                message = f"overlaps the span {one['span'] or 'always'} for the same place"
                found.error("default_pitch", two, "span", message, "let one begin after the other ends")
    for table in ("default_pitch", "reference_pitch"):
        for row in found.catalogue.rows(table):
            _pitch(found, table, row)
    for row in found.catalogue.rows("label_speed"):
        if row["low_rpm"] > row["high_rpm"]:
            message = f"is higher than high_rpm ({row['high_rpm']:g})"
            found.error("label_speed", row, "low_rpm", message, "exchange the two")


def _pitch(found: Findings, table: str, row: dict[str, Any]) -> None:
    hz, low, high = row["reference_pitch_hz"], row["low_hz"], row["high_hz"]
    a4 = a4_of_fork(hz, row["fork"])
    if not LOWEST_A4_HZ <= a4 <= HIGHEST_A4_HZ:
        cure = "write C5 into fork if it is a fork's C" if a4 > HIGHEST_A4_HZ else "leave fork empty if it is A4"
        found.error(table, row, "reference_pitch_hz", f"makes A4 {a4:.1f} Hz", cure)
    if (low is None) != (high is None):
        found.error(
            table, row, "low_hz" if low is None else "high_hz", "is missing", "give both limits, or se_hz alone"
        )
    elif low is not None and not low <= hz <= high:
        message = f"does not lie from low_hz to high_hz ({low:g} to {high:g})"
        found.error(table, row, "reference_pitch_hz", message, "mend one of the three")
