"""Shows how an answer moves with what it rests on, as one table and one picture."""

import sys
from pathlib import Path

from rich.table import Table

from pipeline.answers.number_words import with_limits
from pipeline.answers.selection import Selection
from pipeline.answers.sensitivity import VARIATIONS, Varied, varied
from pipeline.cli.answers import Answer, give
from pipeline.cli.console import console
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
        console().print(_table(made))
    else:
        give(Answer([made.rows]), form=form, to=to, replace=replace)


def _words(measure: str) -> str:
    name = measure.removesuffix("_corrected").replace("_per_minute", " a minute").replace("_", " ")
    return f"{name}, {'corrected' if measure.endswith('_corrected') else 'as found'}"


def _table(made: Varied) -> Table:
    table = Table(
        title=f"{_words(made.measure).capitalize()} (95 %)",
        title_justify="left",
        box=None,
        pad_edge=False,
        header_style="bold",
    )
    groups = made.rows["group"].unique(maintain_order=True).to_list()
    table.add_column("varied")
    table.add_column("to")
    for group in groups:
        table.add_column(group, justify="right")
    last = ""
    for (what, to), rows in made.rows.group_by("varied", "to", maintain_order=True):
        own = {row["group"]: row for row in rows.iter_rows(named=True)}
        cells = [_cell(own[group]) if group in own else "–" for group in groups]
        table.add_row("" if what == last else str(what), str(to), *cells)
        last = str(what)
    return table


def _cell(row: dict[str, float | None]) -> str:
    value, low, high = row["value"], row["low"], row["high"]
    return "–" if value is None or low is None or high is None else with_limits(value, low, high)
