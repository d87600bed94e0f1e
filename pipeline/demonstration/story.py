"""What the demo prints, as rich tables: rates, the lineage story, the speed ledger, found against planted."""

import math
from collections.abc import Iterator, Mapping
from typing import Any

import polars as pl
from rich import box
from rich.console import Console
from rich.table import Table

from pipeline.answers.number_words import (
    count_words,
    given_words,
    minutes_words,
    over_all_words,
    probability_words,
    with_limits,
)
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.demonstration.compare import HandCounts, SlideCounts

Row = dict[str, Any]


def rate(row: Row, name: str) -> str:
    """A rate with its limits."""
    value = row[name]
    return "–" if value is None or math.isnan(value) else with_limits(value, row[f"{name}_low"], row[f"{name}_high"])


def rates_table(frame: pl.DataFrame, *, title: str, label: str, head: str) -> Table:
    """A table of slide rates, one row per value of the column ``label``."""
    table = _table(title)
    table.add_column(head, no_wrap=True)
    for name in ("takes", "solo\nmin", "slides", "slides /min\n(95 %)", "slides /100 transitions\n(95 %)"):
        table.add_column(name, justify="right")
    for row in frame.rows(named=True):
        table.add_row(
            str(row[label]),
            count_words(row["takes"]),
            minutes_words(row["minutes"]),
            count_words(row["found_slides"]),
            rate(row, "slides_per_minute"),
            rate(row, "slides_per_100_transitions"),
        )
    return table


def print_rates(corpus: OpenCorpus, console: Console) -> None:
    """Slides by player, school and period."""
    for view, title, label, head in (
        ("slides_by_player", "Slides by player", "player", "player"),
        ("slides_by_school", "Slides by school", "school", "school"),
        ("slides_by_period", "Slides by period", "period", "period"),
    ):
        frame = corpus.view(f"summary.{view}")
        frame = frame.filter(pl.col("takes") > pl.col("takes_not_judged"))
        if "born" in frame.columns:
            frame = frame.sort("born", "player")
        console.print(rates_table(frame, title=title, label=label, head=head))


def lineage_rows(corpus: OpenCorpus, *, founders: list[str]) -> list[Row]:
    """Rates by generation below each founder, through teaching that is at least probable."""
    frame = corpus.view("summary.lineage_by_generation", min_certainty="probable")
    return frame.filter(pl.col("ancestor_id").is_in(founders)).sort("ancestor_id", "generation").rows(named=True)


def print_lineage(corpus: OpenCorpus, console: Console, *, founders: list[str]) -> None:
    """The story: how sliding changes from a teacher to students and their students."""
    table = _table("From teacher to student (attributions and teaching at least probable, as the report can show)")
    for name in ("founder", "generation"):
        table.add_column(name, no_wrap=True)
    for name in ("players", "slides", "slides /100 transitions\n(95 %)"):
        table.add_column(name, justify="right")
    table.add_column("", no_wrap=True)
    rows = lineage_rows(corpus, founders=founders)
    most = max((row["slides_per_100_transitions"] or 0.0 for row in rows), default=1.0) or 1.0
    names = ("founder", "students", "students of students", "third generation")
    last = None
    for row in rows:
        bar = "█" * round(16 * (row["slides_per_100_transitions"] or 0.0) / most)
        if last not in (None, row["ancestor_id"]):
            table.add_section()
        table.add_row(
            row["ancestor"] if last != row["ancestor_id"] else "",
            names[min(row["generation"], 3)],
            f"{row['players']:g}",
            f"{row['found_slides']:g}",
            rate(row, "slides_per_100_transitions"),
            bar,
        )
        last = row["ancestor_id"]
    console.print(table)


def place_effect(corpus: OpenCorpus, *, school: str) -> Row:
    """A school against the other at the places that both play; empty if there are none."""
    rows = corpus.view("summary.place_effect", where="grouping = 'school'").rows(named=True)
    row = next((row for row in rows if school in _schools(row) and row["odds_ratio"]), None)
    if row is None or _schools(row)[0] == school:
        return row or {}
    turned = {"odds_ratio_low": "odds_ratio_high", "odds_ratio_high": "odds_ratio_low"}
    names = ("odds_ratio", "odds_ratio_low", "odds_ratio_high", "unmatched_odds_ratio")
    return row | {name: 1.0 / value if (value := row[turned.get(name, name)]) else None for name in names}


def _schools(row: Row) -> tuple[str, str]:
    group, other = (str(row[name]).rpartition("/")[2] for name in ("group_key", "other_key"))
    return group, other


def print_places(corpus: OpenCorpus, console: Console, *, school: str, other: str, planted: float) -> None:
    """Two schools at the same places, where their repertoire misleads; ``planted`` is their ratio of odds."""
    row = place_effect(corpus, school=school)
    console.print("\n[bold]The same places in the written music[/bold]")
    if not row:
        return
    names = {name: name.capitalize() for name in (school, other)}
    console.print(
        f"  Planted: wherever the hand shifts, players of {names[school]} slide at {planted:.1f} times the odds of\n"
        f"  {names[other]}'s, on average; but {names[other]} mostly plays the works in which everybody slides."
    )
    console.print(f"  Whatever the places, their odds of a slide seem {row['unmatched_odds_ratio']:.2g} times as high;")
    ratio = with_limits(row["odds_ratio"], row["odds_ratio_low"], row["odds_ratio_high"])
    console.print(f"  within the {row['places']} places that both play they are {ratio} times as high:")
    console.print(f"  {row['sentence'][:1].upper()}{row['sentence'][1:]}.", markup=False)
    for line in _what_comes_of(row, planted=planted):
        console.print(f"  {line}")
    console.print("  See for yourself: glideline passage DIR romance-in-f --bars 1-4 --by school", markup=False)


def _what_comes_of(row: Mapping[str, Any], *, planted: float) -> Iterator[str]:
    """Whether both ratios point the way that was planted (above 1), and whether so few players show it."""
    ways = ["right" if row[name] > 1.0 else "wrong" for name in ("unmatched_odds_ratio", "odds_ratio")]
    yield f"The first points the {ways[0]} way, the second the {ways[1]} one."
    low, high = row["odds_ratio_low"], row["odds_ratio_high"]
    if low is not None:
        held = "hold" if low <= planted <= high else "do not hold"
        yield f"Its limits rest on {row['players']} players, and {held} what was planted."
        if low <= 1.0 <= high:
            yield "They hold 1 as well: so few players by themselves do not show a difference."


def print_speeds(compared: pl.DataFrame, alternatives: pl.DataFrame, console: Console) -> None:
    """The speed ledger, with what was planted."""
    table = _table("Speeds: what to add to each transfer's pitch (found, planted, and found less planted)")
    table.add_column("transfer", no_wrap=True)
    table.add_column("state", no_wrap=True)
    for name in (
        "playing\nrpm",
        "found, cent\n± (given A4)",
        "over all\n(95 %)",
        "planted\ncent",
        "error\ncent",
        "drift, cent\n(planted)",
        "wow, cent\n(planted)",
    ):
        table.add_column(name, justify="right", no_wrap=True)
    for row in compared.rows(named=True):
        table.add_row(
            row["transfer_id"],
            row["state"],
            _number(row["playing_rpm"], 2),
            f"{_number(row['offset_cents'], 1, signed=True)} {given_words(row['offset_se_cents'])}",
            over_all_words(row["offset_low_cents"], row["offset_high_cents"]),
            _number(row["offset_cents_planted"], 1, signed=True),
            _number(row["error_cents"], 1, signed=True),
            f"{_number(row['drift_range_cents'], 0)} ({_number(row['drift_range_cents_planted'], 0)})",
            f"{_number(row['wow_cents'], 1)} ({_number(row['wow_cents_planted'], 1)})",
        )
    console.print(table)
    for transfer_id in compared.filter(pl.col("state") == "ambiguous")["transfer_id"]:
        readings = alternatives.filter(pl.col("transfer_id") == transfer_id).sort("rank").head(3)
        told = "; ".join(
            f"{_number(row['playing_rpm'], 2)} rpm, A4 {row['reference_pitch_hz']:.4g} Hz, "
            f"{row['key'] or 'key unknown'}: {probability_words(row['probability'])}"
            for row in readings.rows(named=True)
        )
        console.print(f"  {transfer_id} could be read in more than one way: {told}")
    console.print()


def print_found(counts: SlideCounts, hands: dict[str, HandCounts], console: Console) -> None:
    """Slides and fingerings found against planted."""
    table = _table("Slides: found against planted")
    table.add_column("kind")
    for name in ("planted", "found", "with this kind"):
        table.add_column(name, justify="right")
    for kind, (planted, found, right) in counts.kinds.items():
        table.add_row(kind, str(planted), str(found), str(right))
    table.add_section()
    table.add_row("all", str(counts.planted), str(counts.right), str(counts.kinds_right))
    console.print(table)
    console.print(
        f"  {counts.found} slides claimed, {counts.right} of them planted: precision {counts.precision:.3f}, "
        f"recall {counts.recall:.3f}.\n"
        f"  Kind right for {counts.kinds_right} of {counts.right}. Median error of the audible start "
        f"{counts.onset_ms:.1f} ms, end {counts.offset_ms:.1f} ms, interval {counts.interval_cents:.1f} cents.\n"
    )
    table = _table("Fingerings: found against planted")
    table.add_column("")
    for name in ("planted", "found", "string and\nfinger right", "in the\n90 % set"):
        table.add_column(name, justify="right")
    for which, hand in hands.items():
        cells = (
            f"{count} ({100 * count / hand.found:.0f} %)" if hand.found else "0" for count in (hand.right, hand.in_set)
        )
        table.add_row(which, str(hand.planted), str(hand.found), *cells)
    console.print(table)
    errors = " and ".join(f"{hand.calibration_error:.3f} ({which})" for which, hand in hands.items() if hand.found)
    console.print(
        f"  Probabilities are off by {errors} on average: expected calibration error.\n"
        "  These players choose by the weights that tell them: see README for how well real ones are told.\n"
    )


def _table(title: str) -> Table:
    return Table(
        title=title,
        title_justify="left",
        title_style="bold",
        header_style="",
        pad_edge=False,
        box=box.SIMPLE_HEAD,
        padding=(0, 1),
    )


def _number(value: float | None, places: int, *, signed: bool = False) -> str:
    if value is None or math.isnan(value):
        return "–"
    return f"{value:{'+' if signed else ''}.{places}f}"
