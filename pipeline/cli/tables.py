"""Frames as readable tables: estimate and limits in one cell, units in heads, only digits that mean something."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import polars as pl
from rich.console import Console

from pipeline.answers.note_names import printed_name
from pipeline.answers.number_words import clock_words, count_words, minutes_words, rounded, signed, with_limits
from pipeline.cli.console import UNFOLDED
from pipeline.cli.console import console as a_console
from pipeline.cli.fitting import Column, print_columns
from pipeline.errors import UsageError
from pipeline.kinds import Kind
from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.schema import Relation, hand_kept
from pipeline.store.schema.date_words import date_words

# Summaries of more columns show only the following; the rest is in csv and json.
MANY = 16
# Of a summary with many columns, these are shown unless all are asked for; the rest is in csv and json.
_BRIEF = (
    "takes",
    "takes_not_judged",
    "takes_doubtful",
    "players",
    "minutes",
    "transitions",
    "found_slides",
    "slides",
    "slides_per_minute",
    "slides_per_100_transitions",
    "slides_per_100_transitions_corrected",
    "slides_per_100_slurred_transitions",
    "slides_per_bar",
    "ratio",
    "ratio_corrected",
    *("share_silent", "chances", "silent"),
    *("share_agree", "agree", "differ", "printed_chords", "chords_agree", "chords_differ"),
    *("odds_ratio", "unmatched_odds_ratio", "places", "reached", "told", "slid", "share"),
    *("verdict", "log10_ratio", "against_others"),
    "p",
    "p_holm",
    "duration_median_ms",
    "duration_median_corrected_ms",
    "interval_median_cents",
    "share_rising",
    *("start_s", "audible_start_s", "transfer_start_s", "transfer_audible_start_s"),
    *("midi", "from_midi", "to_midi", "interval_cents", "duration_ms", "kind", "confidence"),
    "warning",
)
# Of these the last to be left out where it is narrow.
_FIRST = (
    *("certainty", "share_silent", "share_agree", "slides_per_100_transitions", "slides_per_minute", "ratio"),
    *("found_slides", "takes", "takes_not_judged", "slides", "takes_doubtful"),
    *("odds_ratio", "places", "slid", "told", "share_broken", "cannot_tell", "verdict", "log10_ratio"),
    *("slides_per_100_transitions_corrected", "ratio_corrected", "p_holm", "minutes", "players"),
    *("start_s", "audible_start_s", "transfer_audible_start_s", "from_midi", "to_midi"),
    *("interval_cents", "kind", "duration_ms", "confidence"),
)
_CORRECTED = ("slides_per_100_transitions_corrected", "ratio_corrected")
# Of a summary of which finger slid, which finger it was.
_FINGERS = tuple(
    f"share_{kind}"
    for kind in (Kind.DEPARTING_FINGER, Kind.ARRIVING_FINGER, Kind.SAME_FINGER, Kind.TWO_FINGER, Kind.INTO_NOTE)
)
COUNTS = (
    "takes",
    "takes_not_judged",
    "takes_doubtful",
    "players",
    "transfers",
    "transitions",
    "slurred_transitions",
    "found_slides",
    "slides",
)
_HEADS = {
    "takes_not_judged": "not judged",
    "takes_doubtful": "doubtful",
    "found_slides": "slides found",
    "slides_per_minute": "slides /min",
    "slides_per_100_transitions": "slides /100 transitions",
    "slides_per_100_transitions_corrected": "corrected",
    "slides_per_100_slurred_transitions": "slides /100 slurred",
    "slides_per_bar": "slides /bar",
    "typical_player_per_bar": "typical player",
    "slides_per_bar_corrected": "corrected",
    "slides_per_bar_warning": "warning",
    "shrunken_rate": "rate drawn to others",
    "shrunken_rate_corrected": "corrected",
    "ratio_per_100_transitions": "ratio",
    "ratio_per_100_transitions_corrected": "corrected",
    "ratio_negative_binomial": "negative binomial",
    "ratio_corrected": "corrected",
    "duration_median_ms": "median duration",
    "duration_median_corrected_ms": "median duration corrected",
    "interval_median_cents": "median interval",
    "share_rising": "rising",
}
_ACCEPTED = "accepted by ear"
# What rates are of, where they stand in a column.
_MEASURES = {
    "slides_per_minute": "per minute",
    "slides_per_100_transitions": "per 100",
    "slides_per_100_slurred_transitions": "per 100 slurred",
    "standardised_per_100_transitions": "per 100 standardised",
    "observed_over_expected": "over expected",
    "slides_per_bar": "per bar",
}
_SUFFIXES = ("_cents_per_s", "_per_minute", "_cents", "_ms", "_db", "_hz", "_rpm", "_s", "_midi")
# Places in time, which are shown as m:ss.mmm; all other seconds are lengths.
_PLACE = re.compile("(?:.*_)?(?:start|end|time|middle|from|to|jump|inflection|step)_s")
_WORDS = re.compile("[a-z0-9]+(?:_[a-z0-9]+)+")  # a word of ours, which may be broken
_PITCH_NAMES = ("from_name", "to_name")
_NOTE = 40  # text longer than this is a remark
_NOTHING = "–"
Names = Callable[[dict[str, Any]], Callable[[float], str]]


@dataclass(frozen=True)
class _Shown:
    name: str
    low: str | None
    head: str
    kind: str  # number, id or text
    rank: int


def print_table(
    frame: pl.DataFrame,
    relation: Relation | None,
    *,
    console: Console | None = None,
    columns: Sequence[str] = (),
    wide: bool = False,
    spelling: Names | None = None,
) -> int:
    """Print a frame as wide as the console is; gives the number of columns left out.

    Parameters
    ----------
    relation : the declared view, for units; None for rows of one's own SQL.
    columns : which to show, instead of the usual ones.
    wide : show all columns, however wide.
    spelling : names pitches, given as MIDI numbers, in the key of a row.

    Raises
    ------
    UsageError
        If there is no such column.
    """
    console = console or a_console()
    shown = _chosen(frame, relation, columns=columns, every=wide)
    rows = frame.to_dicts()
    made = [_column(each, [_cell(row, each, spelling) for row in rows]) for each in shown]
    if wide:
        console.width = UNFOLDED
    missed = print_columns(made, console)
    used = {name for each in shown for name in (each.name, each.low, _high(each)) if name}
    return frame.width - len(used) + missed


def _column(each: _Shown, cells: list[str]) -> Column:
    note = each.kind == "text" and max(map(len, cells), default=0) > _NOTE
    cells = ["" if note and cell == _NOTHING else cell for cell in cells]
    return Column(each.head, cells, whole=each.kind != "text", right=each.kind == "number", rank=each.rank, note=note)


def counts_by_share(frame: pl.DataFrame) -> bool:
    """Whether a count is no whole number: a take whose player is in several schools counts in each by its share."""
    counts = [name for name in COUNTS if name in frame.columns and frame.schema[name].is_float()]
    return any("." in count_words(value) for name in counts for value in frame[name].drop_nulls().to_list())


def _high(each: _Shown) -> str | None:
    return each.low.removesuffix("_low") + "_high" if each.low else None


def _chosen(frame: pl.DataFrame, relation: Relation | None, *, columns: Sequence[str], every: bool) -> list[_Shown]:
    """The columns to show, in order, each with its rank; what was asked for by name has none to spare."""
    columns = [name if name in frame.columns else f"{name}_id" for name in columns]  # heads leave the ending away
    for name in columns:
        if name not in frame.columns:
            name = name.removesuffix("_id")
            raise UsageError(f"--columns: there is no column {name!r}", did_you_mean(name, frame.columns, otherwise=""))
    if columns or every:
        names = list(columns) or [name for name in frame.columns if not _is_limit(name, frame.columns)]
        return [_shown(name, frame, relation, rank=0) for name in names]
    if relation is not None and relation.shown:
        # Names and the answer stay; for the next three, long names are broken.
        return [_shown(name, frame, relation, rank=max(place - 2, 0)) for place, name in enumerate(relation.shown)]
    names = [name for name in frame.columns if not _is_limit(name, frame.columns)]
    key = relation.key if relation is not None else names[:1]
    ids = {name for name in names if name.endswith("_id") and name.removesuffix("_id") in names}
    heads = {name.removesuffix("_id") if name in ids else name for name in key if not _is_lone_scheme(name, frame)}
    rest = [name for name in names if name not in heads and name not in ids]
    brief = [name for name in (*_BRIEF, *(_FINGERS if Kind.DEPARTING_FINGER in names else ())) if name in rest]
    if brief and len(names) > MANY:
        rest = [name for name in rest if name in brief or _labels(name, frame)]
        rest = [name for name in rest if not _tells_nothing(name, frame, key)]
    first = [name for name in (*_FIRST, *brief) if name in rest]
    order = list(dict.fromkeys([*first, *rest, *sorted(ids)]))
    ranks = {name: place for place, name in enumerate(order, start=1)}
    shown = [name for name in names if name in heads or name in ranks]
    shown.sort(key=lambda name: (name in brief, brief.index(name) if name in brief else 0))
    return [_shown(name, frame, relation, rank=ranks.get(name, 0)) for name in shown]


def _labels(name: str, frame: pl.DataFrame) -> bool:
    """Whether a column says which group a row is about, rather than how its numbers came about."""
    if name in ("method", "cluster_unit", "correction") or (name == "slides_per_bar_warning" and "warning" in frame):
        return False
    return frame.schema[name] == pl.String or name in ("year", "generation")


def _is_lone_scheme(name: str, frame: pl.DataFrame) -> bool:
    """Whether a column names the scheme of schools or periods, the same in every row."""
    return name.endswith("scheme") and frame[name].n_unique() < 2


def _tells_nothing(name: str, frame: pl.DataFrame, key: Sequence[str]) -> bool:
    if name in ("takes_not_judged", "takes_doubtful"):
        return bool((frame[name].fill_null(0) == 0).all())
    if _beside_finds(name, frame):
        return bool((frame[name] == frame["found_slides"]).fill_null(True).all())
    return frame[name].is_null().all() or _is_lone_scheme(name, frame) or (name == "players" and "player_id" in key)


def _beside_finds(name: str, frame: pl.DataFrame) -> bool:
    """Whether these slides are those that listeners left, beside the finds that rates are made from."""
    return name == "slides" and "found_slides" in frame.columns


def _is_limit(name: str, names: Sequence[str]) -> bool:
    for end in ("_low", "_high"):
        if name.endswith(end) and {name.removesuffix(end) + other for other in ("", "_low", "_high")} <= set(names):
            return True
    return False


def _shown(name: str, frame: pl.DataFrame, relation: Relation | None, *, rank: int) -> _Shown:
    limits = [f"{name}_low", f"{name}_high"]
    told = all(limit in frame.columns and not frame[limit].is_null().all() for limit in limits)
    units = {column.name: column.unit for column in relation.columns} if relation is not None else {}
    unit = units.get(name) or ""
    suffix = next((end for end in _SUFFIXES if unit and name.endswith(end)), "")
    ending = "" if name.removesuffix("_id") in frame.columns else "_id"  # an id beside its name says that it is one
    head = _HEADS.get(name) or name.removesuffix(suffix).removesuffix(ending).replace("_", " ")
    head = _ACCEPTED if _beside_finds(name, frame) else head
    if frame.schema[name].is_float() and _PLACE.fullmatch(name):
        unit = "m:ss"
    elif _is_pitch(name):
        unit = "±cent"
    head += " (95 %)" if told else ""
    if unit and name != "slides_per_minute":
        head += f" [{unit}]"
    if name.startswith("share_"):
        head += " [%]"
    number = frame.schema[name].is_numeric() or frame.schema[name] == pl.Boolean
    is_id = name == "id" or name.endswith(("_id", "_number", "sha256"))
    return _Shown(name, limits[0] if told else None, head, "number" if number else "id" if is_id else "text", rank)


@cache
def _dates() -> frozenset[str]:
    """Columns that hold dates as the catalogue writes them."""
    return frozenset(column.name for relation in hand_kept() for column in relation.columns if column.edtf)


def _is_pitch(name: str) -> bool:
    return name == "midi" or name.endswith("_midi")


def _cell(row: Mapping[str, Any], each: _Shown, spelling: Names | None) -> str:
    value = row[each.name]
    if value is None:
        return _NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(str(item) for item in value)
    if each.name in _PITCH_NAMES:
        return printed_name(value)
    if each.name in ("p", "p_holm"):
        return "<0.001" if value < 0.001 else f"{value:.3f}"
    if each.name == "measure":
        return _MEASURES.get(value, str(value).replace("_", " "))
    if each.name == "other_key" and "group_key" in row:
        # The scheme stands before the slash of the first group, and is the same.
        scheme, slash, _ = str(row["group_key"]).rpartition("/")
        return str(value).removeprefix(scheme + slash)
    if each.name in _dates():
        return date_words(value)
    if not isinstance(value, int | float):
        text = " ".join(str(value).split())
        return text.replace("_", " ") if each.kind == "text" and _WORDS.fullmatch(text) else text
    if each.name == "minutes":
        return minutes_words(value)
    if each.name in COUNTS:
        return count_words(value)
    if isinstance(value, float) and _PLACE.fullmatch(each.name):
        return clock_words(value)
    if _is_pitch(each.name) and spelling is not None:
        return f"{spelling(dict(row))(value)} {signed(100 * (value - round(value)))}"
    low, high = row.get(each.low or ""), row.get(_high(each) or "")
    is_share = each.name.startswith("share_")
    if low is None or high is None:
        return f"{100 * value:.0f}" if is_share else rounded(value)
    times = 100 if is_share else 1
    return with_limits(times * value, times * low, times * high)
