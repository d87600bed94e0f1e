"""Shows how an answer moves with what it rests on, as one table and one picture."""

import sys
from pathlib import Path

from rich.console import Console
from rich.text import Text

from pipeline.answers.number_words import with_limits
from pipeline.answers.selection import Selection
from pipeline.answers.sensitivity import VARIATIONS, Varied, varied
from pipeline.cli.answers import Answer, give
from pipeline.cli.console import console
from pipeline.cli.fitting import Column, fits, print_columns
from pipeline.errors import UsageError
from pipeline.store.files.outputs import output


def vary(
    folder: Path,
    view: str | None,
    selection: Selection,
    *,
    where: str | None,
    form: str,
    to: Path | None,
    picture: Path | None,
    replace: bool,
) -> None:
    """Count a view again and again; print what comes of it, and draw it into an SVG file if one is named.

    Raises
    ------
    UsageError
        If no view is named, or it cannot be varied.
    """
    if view is None:
        raise UsageError("--vary needs a view", "as in: glideline query DIR slides_by_player --vary")
    console(sys.stderr).print(f"Counting up to {len(VARIATIONS)} times.")
    made = varied(folder, view, selection, where=where)
    if picture is not None:
        from pipeline.pages.charts import variations

        with output(picture, replace=replace) as part:
            part.write_text(variations(made.rows.to_dicts(), measure=_words(made.measure)), encoding="utf-8")
    if form == "table" and to is None:
        print_varied(made, console())
    else:
        give(Answer([made.rows]), form=form, to=to, replace=replace)


def _words(measure: str) -> str:
    name = measure.removesuffix("_corrected").replace("_per_minute", " a minute").replace("_", " ")
    return f"{name}, {'corrected' if measure.endswith('_corrected') else 'as found'}"


def print_varied(made: Varied, console: Console) -> None:
    """A column for each group, in blocks below each other where not all have room side by side."""
    rows: dict[tuple[str, str], dict[str, dict[str, float | None]]] = {}
    for row in made.rows.iter_rows(named=True):
        rows.setdefault((row["varied"], row["to"]), {})[row["group"]] = row
    named = [what for what, _ in rows]
    first = ["" if place and what == named[place - 1] else what for place, what in enumerate(named)]
    left = [Column("varied", first, tight=True), Column("to", [to for _, to in rows], tight=True)]
    groups = [
        Column(group, [_cell(own[group]) if group in own else "–" for own in rows.values()], whole=True, right=True)
        for group in made.rows["group"].unique(maintain_order=True)
    ]
    console.print(Text(f"{_words(made.measure).capitalize()} (95 %)", style="italic"))
    while groups:
        count = max([n for n in range(1, len(groups) + 1) if fits([*left, *groups[:n]], console.width)], default=1)
        console.print()
        print_columns([*left, *groups[:count]], console)
        groups = groups[count:]


def _cell(row: dict[str, float | None]) -> str:
    value, low, high = row["value"], row["low"], row["high"]
    return "–" if value is None or low is None or high is None else with_limits(value, low, high)
