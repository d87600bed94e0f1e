"""Every table and column in words: meaning, unit, range, allowed values; all from the schemas."""

import csv
import io
import json
import textwrap
from collections import Counter
from collections.abc import Sequence
from typing import Any, Literal

import polars as pl

from pipeline.errors import UsageError
from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.schema import Column, Relation, relations

# Columns that stand alike in at least so many tables are told once.
_MANY = 8
_RULES = (
    "An id is of small letters, digits, - and _, begins with a letter or digit, and has at most 64. A date may be\n"
    "unsure: 1903, 1904~ (about), 190X (that decade), 1911/1913 (from, to), [1927..1931] (at one time between)."
)
TYPE_WORDS = {
    "string": "text",
    "int64": "whole number",
    "double": "number",
    "float": "number",
    "boolean": "yes or no",
    "date": "day",
}
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
        raise UsageError(f"no table or view {table!r}", cure)
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
    if form == "markdown":
        return "\n\n".join(_markdown(relation) for relation in relations_)
    shared = _shared(relations_)
    parts = [_plain(relation, frozenset(shared)) for relation in relations_]
    if shared:
        head = "Shared columns\n  They mean the same in every table that names them.\n"
        parts = [f"{_RULES}", head + "\n".join(_columns(shared)), *parts]
    return "\n\n".join(parts)


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


def _plain(relation: Relation, shared: frozenset[Column]) -> str:
    own, also = [], []
    for column in relation.columns:
        if column in shared:
            also.append(column.name)
        else:
            own.append(column)
    lines = [f"{relation.layer}.{relation.name}", f"  {relation.description}", f"  {_made(relation)}", *_columns(own)]
    if also:
        lines += textwrap.wrap(
            f"shared columns: {', '.join(also)}", 110, initial_indent="    ", subsequent_indent="      "
        )
    return "\n".join(lines)


def _columns(columns: Sequence[Column]) -> list[str]:
    lines = []
    width = max((len(column.name) for column in columns), default=0)
    for column in columns:
        kind = (
            _type(column) + (f", {column.unit}" if column.unit else "") + ("" if column.required else ", may be empty")
        )
        lines.append(f"    {column.name:<{width}}  {column.description} ({kind})")
        if said := column.constraints(brief=True) if column.type not in ("boolean", "date") else "":
            lines.append(f"    {'':<{width}}  {said}")
        lines += [f"    {'':<{width}}    {value}: {meaning}" for value, meaning in column.explained]
    return lines


def _shared(chosen_: Sequence[Relation]) -> list[Column]:
    """Columns that mean the same in many tables, in the order in which they first stand."""
    tally = Counter(column for relation in chosen_ for column in relation.columns)
    return [column for column, count in tally.items() if count >= _MANY]


def _made(relation: Relation) -> str:
    """Who makes it, what a row is, and the key."""
    by = "Kept by hand" if relation.kept == "by hand" else "Made by the program"
    return f"{by}; {relation.grain}" + (f"; key: {', '.join(relation.key)}." if relation.key else ".")


def _type(column: Column) -> str:
    if column.type.startswith("list<"):
        return f"list of {TYPE_WORDS[column.type[5:-1]]}s"
    return TYPE_WORDS[column.type]


def _markdown(relation: Relation) -> str:
    def cell(text: str) -> str:
        return text.replace("|", "\\|")

    lines = [f"## {relation.layer}.{relation.name}", "", relation.description, ""]
    lines.append(_made(relation))
    lines += ["", "| column | type | unit | empty? | meaning | allowed |", "|---|---|---|---|---|---|"]
    for column in relation.columns:
        empty = "no" if column.required else "yes"
        parts = (column.name, _type(column), column.unit or "", empty, column.description, column.constraints())
        lines.append("| " + " | ".join(cell(part) for part in parts) + " |")
    return "\n".join(lines)
