"""Frames as readable tables: estimate and limits in one cell, units in heads, only digits that mean something."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from rich.console import Console
from rich.table import Table

from pipeline.answers.number_words import count_words, minutes_words, rounded, with_limits
from pipeline.cli.console import console as a_console
from pipeline.store.schema import Relation

WIDE = 16
# Of a summary with many columns, these are shown unless all are asked for; the rest is in csv and json.
_BRIEF = (
    "takes",
    "takes_not_judged",
    "players",
    "minutes",
    "transitions",
    "slides",
    "slides_per_minute",
    "slides_per_100_transitions",
    "slides_per_100_transitions_corrected",
    "slides_per_100_slurred_transitions",
    "ratio",
    "ratio_corrected",
    "p",
    "p_holm",
    "duration_median_ms",
    "interval_median_cents",
    "share_rising",
    "warning",
)
_CORRECTED = ("slides_per_100_transitions_corrected", "ratio_corrected")
# Of a summary of which finger slid, which finger it was.
_FINGERS = (
    "share_departing_finger",
    "share_arriving_finger",
    "share_same_finger",
    "share_two_finger",
    "share_into_note",
)
COUNTS = ("takes", "takes_not_judged", "players", "transfers", "transitions", "slurred_transitions", "slides")
_HEADS = {
    "takes_not_judged": "not judged",
    "slides_per_minute": "slides /min (95 %)",
    "slides_per_100_transitions": "slides /100 transitions (95 %)",
    "slides_per_100_transitions_corrected": "corrected (95 %)",
    "slides_per_100_slurred_transitions": "slides /100 slurred (95 %)",
    "ratio_corrected": "corrected (95 %)",
    "duration_median_ms": "median duration",
    "interval_median_cents": "median interval",
    "share_rising": "rising",
}
_SUFFIXES = ("_cents_per_s", "_per_minute", "_cents", "_ms", "_db", "_hz", "_rpm", "_s")


@dataclass(frozen=True)
class _Shown:
    name: str
    low: str | None
    head: str
    is_number: bool


def print_table(
    frame: pl.DataFrame,
    relation: Relation | None,
    *,
    console: Console | None = None,
    columns: Sequence[str] = (),
    every: bool = False,
) -> int:
    """Print a frame; gives the number of columns left out.

    Parameters
    ----------
    relation : the declared view, for units; None for rows of one's own SQL.
    columns : which to show, instead of the usual ones.
    every : show all columns.
    """
    console = console or a_console()
    shown = _chosen(frame, relation, columns=columns, every=every)
    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    for each in shown:
        table.add_column(each.head, justify="right" if each.is_number else "left", overflow="fold")
    for row in frame.iter_rows(named=True):
        table.add_row(*(_cell(row, each) for each in shown))
    console.print(table)
    used = {name for each in shown for name in (each.name, each.low, _high(each)) if name}
    return frame.width - len(used)


def counts_by_share(frame: pl.DataFrame) -> bool:
    """Whether a count is no whole number: a take whose player is in several schools counts in each by its share."""
    counts = [name for name in COUNTS if name in frame.columns and frame.schema[name].is_float()]
    return any("." in count_words(value) for name in counts for value in frame[name].drop_nulls().to_list())


def _high(each: _Shown) -> str | None:
    return each.low.removesuffix("_low") + "_high" if each.low else None


def _chosen(frame: pl.DataFrame, relation: Relation | None, *, columns: Sequence[str], every: bool) -> list[_Shown]:
    names = [name for name in frame.columns if not _is_limit(name, frame.columns)]
    if columns:
        names = list(columns)
    elif not every and len(names) > WIDE and relation is not None:
        named = {"scheme", "school_scheme", "period_scheme", "year", "generation"}
        ids = {name for name in names if name.endswith("_id") and name.removesuffix("_id") in names}
        labels = [
            name
            for name in names
            if name not in ids
            and (name in named or frame.schema[name] == pl.String)
            and name not in ("warning", "method", "cluster_unit", "correction")
        ]
        fingers = _FINGERS if "departing_finger" in names else ()
        brief = [name for name in (*_BRIEF, *fingers) if name in names]
        if brief:
            rest = [n for n in names if n in relation.key and n not in labels and n not in ids and n not in brief]
            names = [n for n in names if n in labels or n in rest] + brief
            if _always(frame, "takes_not_judged", 0):
                names.remove("takes_not_judged")
            if "player_id" in relation.key:
                names = [name for name in names if name != "players"]
            empty = [name for name in ("warning", *_CORRECTED) if name in names and frame[name].is_null().all()]
            names = [name for name in names if name not in empty]
    return [_shown(name, frame, relation) for name in names]


def _always(frame: pl.DataFrame, name: str, value: float) -> bool:
    return name in frame.columns and bool((frame[name].fill_null(value) == value).all())


def _is_limit(name: str, names: Sequence[str]) -> bool:
    for end in ("_low", "_high"):
        if name.endswith(end) and {name.removesuffix(end) + other for other in ("", "_low", "_high")} <= set(names):
            return True
    return False


def _shown(name: str, frame: pl.DataFrame, relation: Relation | None) -> _Shown:
    low = f"{name}_low" if f"{name}_low" in frame.columns and f"{name}_high" in frame.columns else None
    unit = ""
    if relation is not None and name in {column.name for column in relation.columns}:
        unit = relation.column(name).unit or ""
    head = _HEADS.get(name)
    if head is None:
        suffix = next((end for end in _SUFFIXES if unit and name.endswith(end)), "")
        head = name.removesuffix(suffix).removesuffix("_id").replace("_", " ") + (" (95 %)" if low else "")
    if unit and name not in ("slides_per_minute",):
        head += f" [{unit}]"
    if name.startswith("share_"):
        head += " [%]"
    return _Shown(name, low, head.replace("[", "\\["), frame.schema[name].is_numeric())


def _cell(row: dict[str, Any], each: _Shown) -> str:
    value = row[each.name]
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(str(item) for item in value)
    if not isinstance(value, int | float):
        return str(value).replace("[", "\\[")
    if each.name.startswith("share_"):
        return f"{100 * value:.0f}"
    if each.name == "minutes":
        return minutes_words(value)
    if each.name in COUNTS:
        return count_words(value)
    low, high = row.get(each.low or ""), row.get(_high(each) or "")
    return rounded(value) if low is None or high is None else with_limits(value, low, high)
