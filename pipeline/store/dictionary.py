"""Every table and column in words: meaning, unit, range, allowed values; all from the schemas."""

import csv
import io
import json
from collections.abc import Sequence
from typing import Any, Literal

import polars as pl

from pipeline.errors import UsageError
from pipeline.store.problems import did_you_mean
from pipeline.store.schema import Column, Relation, relations

FIELDS = ("layer", "table", "column", "type", "unit", "may_be_empty", "constraints", "description")


def dictionary(table: str | None = None) -> pl.DataFrame:
    """One row per column of every table and view, or of one.

    Raises
    ------
    UsageError
        If there is no table or view of that name.
    """
    rows = [_row(relation, column) for relation in chosen(table) for column in relation.columns]
    return pl.DataFrame(rows, schema={name: pl.Boolean() if name == "may_be_empty" else pl.String() for name in FIELDS})


def chosen(table: str | None) -> list[Relation]:
    """All relations, or those of that name (with or without its layer); UsageError if there is none."""
    every = relations()
    if table is None:
        return every
    found = [relation for relation in every if table in (relation.name, f"{relation.layer}.{relation.name}")]
    if not found:
        names = sorted(relation.name for relation in every)
        cure = did_you_mean(table, names, otherwise="`glideline dictionary` tells of all")
        raise UsageError(f"no table or view {table!r}; {cure}")
    return found


def dictionary_text(relations_: Sequence[Relation], *, form: Literal["text", "csv", "json", "markdown"]) -> str:
    """The dictionary of the given relations as text, CSV, JSON or Markdown."""
    rows = [_row(relation, column) for relation in relations_ for column in relation.columns]
    if form == "json":
        return json.dumps(rows, ensure_ascii=False, indent=1)
    if form == "csv":
        buffer = io.StringIO()
        writer = csv.DictWriter(buffer, FIELDS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        return buffer.getvalue().rstrip("\n")
    page = _markdown if form == "markdown" else _plain
    return "\n\n".join(page(relation) for relation in relations_)


def _row(relation: Relation, column: Column) -> dict[str, Any]:
    return {
        "layer": relation.layer,
        "table": relation.name,
        "column": column.name,
        "type": column.type,
        "unit": column.unit or "",
        "may_be_empty": not column.required,
        "constraints": column.constraints(),
        "description": column.description,
    }


def _plain(relation: Relation) -> str:
    lines = [f"{relation.layer}.{relation.name}", f"  {relation.description}"]
    lines.append(
        f"  Kept {relation.kept}; {relation.grain}" + (f"; key: {', '.join(relation.key)}." if relation.key else ".")
    )
    width = max(len(column.name) for column in relation.columns)
    for column in relation.columns:
        kind = column.type + (f", {column.unit}" if column.unit else "") + ("" if column.required else ", may be empty")
        lines.append(f"    {column.name:<{width}}  {column.description} ({kind})")
        if said := column.constraints():
            lines.append(f"    {'':<{width}}  {said}")
    return "\n".join(lines)


def _markdown(relation: Relation) -> str:
    def cell(text: str) -> str:
        return text.replace("|", "\\|")

    lines = [f"## {relation.layer}.{relation.name}", "", relation.description, ""]
    lines.append(
        f"Kept {relation.kept}; {relation.grain}" + (f"; key: {', '.join(relation.key)}." if relation.key else ".")
    )
    lines += ["", "| column | type | unit | empty? | meaning | allowed |", "|---|---|---|---|---|---|"]
    for column in relation.columns:
        empty = "no" if column.required else "yes"
        parts = (column.name, column.type, column.unit or "", empty, column.description, column.constraints())
        lines.append("| " + " | ".join(cell(part) for part in parts) + " |")
    return "\n".join(lines)
