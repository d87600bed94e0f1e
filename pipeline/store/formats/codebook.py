"""The codebook of an export: what every table and column means, made from ``schemas/``.

It comes as CSV (for scripts), Markdown and HTML, all from the same rows.
"""

from collections.abc import Iterable, Mapping
from html import escape

import polars as pl

from pipeline.store.formats.data_package import PackageTable
from pipeline.store.formats.stata_spss import short_names
from pipeline.store.schema import Column

_TYPES = {
    "string": "text",
    "int64": "integer",
    "double": "number",
    "float": "number",
    "boolean": "boolean",
    "date": "date",
}
COLUMNS = (
    "table",
    "column",
    "short_name",
    "type",
    "unit",
    "required",
    "allowed_values",
    "meanings",
    "limits",
    "description",
)

CONVENTIONS = (
    "Tables named catalogue/… and reviews/… are what people wrote, each the file of that name; all others are measured "
    "or counted and lie in csv/. So `catalogue/take` is what was written of a take, `take` what was counted of it, one "
    "row for each of its players.",
    "Missing is an empty cell in CSV, null in Parquet and Arrow, missing in Stata and SPSS (empty text in Stata).",
    "Times in columns with `transfer_` count from the beginning of the side in the audio file, as transferred; "
    "other times are corrected for the speed of the disc.",
    "Intervals are in cents (1200 times the binary logarithm of the frequency ratio); rising is positive.",
    "Quartiles are of type 7 (linear interpolation of order statistics, the default of R); SPSS uses type 6.",
    "In CSV, a text cell that a spreadsheet would run as a formula (it begins with =, +, -, @, a tab or a line "
    "break) has an apostrophe in front; take one apostrophe away to get the text. Numbers are never touched.",
    "In Stata and SPSS, coded columns hold the numbers 1, 2, … in the order of the allowed values, with value "
    "labels; lists are text joined by semicolons; names have at most 32 characters and differ by more than case.",
    "Slides are estimates with a stated confidence; slides within one side are not independent of one another.",
)


def rows(tables: Iterable[PackageTable]) -> pl.DataFrame:
    """One row per table and column, in the order of the tables."""
    made = []
    for table in tables:
        names = short_names(table.frame.columns)
        for name in table.frame.columns:
            column = table.relation.column(name)
            made.append(
                (
                    table.name,
                    name,
                    names[name],
                    _TYPES.get(column.type, "list"),
                    column.unit or "",
                    "yes" if column.required else "no",
                    "; ".join(str(value) for value in column.values),
                    " ".join(f"{value}: {meaning}" for value, meaning in column.explained),
                    limits(column),
                    column.description,
                )
            )
    return pl.DataFrame(made, schema=list(COLUMNS), orient="row")


def _explained(tables: Iterable[PackageTable]) -> list[tuple[str, tuple[tuple[str, str], ...]]]:
    """Columns whose allowed values have meanings, and these: said once for all columns that share them."""
    named: dict[tuple[tuple[str, str], ...], dict[str, None]] = {}
    for table in tables:
        for name in table.frame.columns:
            if explained := table.relation.column(name).explained:
                named.setdefault(explained, {})[name] = None
    return [(", ".join(names), explained) for explained, names in named.items()]


def limits(column: Column) -> str:
    """Range of a numeric column, in words; empty if there is none."""
    return f"{column.range[0]:g} to {column.range[1]:g}" if column.range else ""


def renames(tables: Iterable[PackageTable]) -> list[tuple[str, str, str]]:
    """Table, column and name of each column that has another name in Stata and SPSS."""
    return [
        (table.name, column, short)
        for table in tables
        for column, short in short_names(table.frame.columns).items()
        if column != short
    ]


def markdown(tables: list[PackageTable], *, title: str, cut: Mapping[str, Iterable[str]]) -> str:
    """The codebook as Markdown. ``cut`` names, by table, columns with text too long for SPSS."""
    lines = [f"# Codebook: {title}", "", *(f"- {line}" for line in CONVENTIONS), ""]
    for table in tables:
        lines += [f"## {table.name}", "", f"{table.relation.description} Grain: {table.relation.grain}.", ""]
        if table.relation.key:
            lines += [f"Key: {', '.join(f'`{name}`' for name in table.relation.key)}.", ""]
        lines += ["| column | type | unit | values or range | meaning |", "|---|---|---|---|---|"]
        for name in table.frame.columns:
            column = table.relation.column(name)
            allowed = "; ".join(str(value) for value in column.values) or limits(column)
            cells = (f"`{name}`", _TYPES.get(column.type, "list"), column.unit or "", allowed, column.description)
            lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
        lines.append("")
    lines += ["## Allowed values", ""]
    for columns, explained in _explained(tables):
        lines += [f"In {columns}:", "", *(f"- `{value}`: {meaning}" for value, meaning in explained), ""]
    lines += ["## Names in Stata and SPSS", ""]
    changed = renames(tables)
    lines += [f"- {table}: `{column}` is `{short}`" for table, column, short in changed] or ["No name was changed."]
    for table_name, cut_columns in cut.items():
        for name in cut_columns:
            lines.append(f"- {table_name}: text of `{name}` longer than 32,767 bytes is cut in SPSS and ends in …")
    return "\n".join(lines) + "\n"


_STYLE = (
    "body{font:16px/1.5 Georgia,serif;max-width:70rem;margin:2rem auto;padding:0 1rem;color:#1c1a17}"
    "table{border-collapse:collapse;width:100%;margin:1rem 0 2rem;font-size:.9rem}"
    "th,td{text-align:left;vertical-align:top;padding:.35rem .6rem;border-bottom:1px solid #b9b2a6}"
    "thead th{border-bottom:2px solid #1c1a17}code{font-size:.95em}"
)


def html(tables: list[PackageTable], *, title: str) -> str:
    """The codebook as one page without scripts or outside parts."""
    parts = [
        "<!doctype html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>Codebook: {escape(title)}</title>',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<style>{_STYLE}</style></head><body><main><h1>Codebook: {escape(title)}</h1><ul>",
        *(f"<li>{escape(line).replace('`', '')}</li>" for line in CONVENTIONS),
        "</ul><nav aria-label='Tables'><p>",
        " · ".join(f'<a href="#{escape(table.name)}">{escape(table.name)}</a>' for table in tables),
        "</p></nav>",
    ]
    for table in tables:
        parts += [
            f'<section id="{escape(table.name)}"><h2>{escape(table.name)}</h2>',
            f"<p>{escape(table.relation.description)} Grain: {escape(table.relation.grain)}.</p>",
            "<table><thead><tr><th>column</th><th>in Stata and SPSS</th><th>type</th><th>unit</th>"
            "<th>values or range</th><th>meaning</th></tr></thead><tbody>",
        ]
        names = short_names(table.frame.columns)
        for name in table.frame.columns:
            column = table.relation.column(name)
            allowed = "; ".join(str(value) for value in column.values) or limits(column)
            cells = (names[name], _TYPES.get(column.type, "list"), column.unit or "", allowed, column.description)
            parts.append(
                f"<tr><th scope='row'><code>{escape(name)}</code></th>"
                + "".join(f"<td>{escape(cell)}</td>" for cell in cells)
                + "</tr>"
            )
        parts.append("</tbody></table></section>")
    parts.append('<section id="allowed-values"><h2>Allowed values</h2>')
    for columns, explained in _explained(tables):
        items = (f"<dt><code>{escape(value)}</code></dt><dd>{escape(meaning)}</dd>" for value, meaning in explained)
        parts.append(f"<p>In {escape(columns)}:</p><dl>{''.join(items)}</dl>")
    parts.append("</section>")
    return "\n".join([*parts, "</main></body></html>"]) + "\n"
