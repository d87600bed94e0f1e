"""A data package on disk: CSV files with a descriptor that says what every column means (Data Package v2).

The descriptor follows the Data Package standard, version 2 (datapackage.org): it names its profile in
``$schema``, gives each resource a Table Schema with types, constraints, keys and missing values, and carries
licences, sources and contributors.

A spreadsheet runs a cell that begins with ``= + - @`` or a control character as a formula. Text cells that do
are written with an apostrophe in front; so are cells that already begin with apostrophes and then such a
character, so that taking one apostrophe away is always right (``unguarded``). Numbers are never touched.
"""

import hashlib
import io
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.store.files.paths import leads_out
from pipeline.store.provenance import hash_bytes_of
from pipeline.store.schema import Column, Relation

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_GUARDED = re.compile(r"^'*[=+\-@\t\r\n]")
_UNGUARDED = re.compile(r"^'+[=+\-@\t\r\n]")

_FIELD_TYPES = {
    "string": "string",
    "int64": "integer",
    "double": "number",
    "float": "number",
    "boolean": "boolean",
    "date": "date",
}


@dataclass(frozen=True)
class PackageTable:
    """One table of a package: its name there, its rows, and the relation that declares it."""

    name: str
    frame: pl.DataFrame
    relation: Relation
    path: str


def guarded(text: str) -> str:
    """``text`` as it may stand in a spreadsheet."""
    return f"'{text}" if _GUARDED.match(text) else text


def unguarded(text: str) -> str:
    """The text that ``guarded`` was given."""
    return text[1:] if _UNGUARDED.match(text) else text


def flat(frame: pl.DataFrame) -> pl.DataFrame:
    """``frame`` with lists as JSON text and text cells guarded against spreadsheets."""
    made = []
    for series in frame:
        if isinstance(series.dtype, pl.List):
            made.append(
                pl.Series(
                    series.name,
                    [None if cell is None else json.dumps(cell.to_list()) for cell in series],
                    dtype=pl.String,
                )
            )
        elif series.dtype == pl.String:
            made.append(
                pl.Series(
                    series.name,
                    [None if cell is None else guarded(cell) for cell in series],
                    dtype=pl.String,
                )
            )
        else:
            made.append(series)
    return pl.DataFrame(made)


def csv_bytes(frame: pl.DataFrame) -> bytes:
    """``frame`` as UTF-8 CSV: comma, decimal point, empty cell for missing, CR LF line ends (RFC 4180)."""
    buffer = io.BytesIO()
    flat(frame).write_csv(buffer, line_terminator="\r\n", quote_style="necessary", date_format="%Y-%m-%d")
    return buffer.getvalue()


def field(column: Column) -> dict[str, Any]:
    """Table Schema field of one column."""
    made: dict[str, Any] = {
        "name": column.name,
        "type": _FIELD_TYPES.get(column.type, "array"),
        "description": column.description,
    }
    if column.unit:
        made["unit"] = column.unit
    limits: dict[str, Any] = {}
    if column.required:
        limits["required"] = True
    if column.values:
        limits["enum"] = list(column.values)
    if column.pattern:
        limits["pattern"] = column.pattern
    if column.range and made["type"] in ("integer", "number"):
        kind = int if made["type"] == "integer" else float
        limits["minimum"], limits["maximum"] = (kind(bound) for bound in column.range)
    if limits:
        made["constraints"] = limits
    return made


def table_schema(table: PackageTable, others: Mapping[str, PackageTable]) -> dict[str, Any]:
    """Table Schema of one table; foreign keys only where the table they point to is in the package too.

    A foreign key is dropped where a row of this table points outside the package, since rights may have kept
    the other row back.
    """
    columns = [table.relation.column(name) for name in table.frame.columns]
    made: dict[str, Any] = {"fields": [field(column) for column in columns], "missingValues": [""]}
    key = [name for name in table.relation.key if name in table.frame.columns]
    if key and not any(table.frame[name].null_count() for name in key):
        made["primaryKey"] = key
    foreign = []
    for column in columns:
        if not column.references:
            continue
        target, _, target_column = column.references.partition(".")
        prefix, _, _ = table.name.rpartition("/")
        other = others.get(f"{prefix}/{target}" if prefix else target)
        if other is None or target_column not in other.frame.columns:
            continue
        known = set(other.frame[target_column].to_list())
        if set(table.frame[column.name].drop_nulls().to_list()) <= known:
            name = "" if other.name == table.name else resource_name(other.name)
            foreign.append(
                {
                    "fields": [column.name],
                    "reference": {"resource": name, "fields": [target_column]},
                }
            )
    if foreign:
        made["foreignKeys"] = foreign
    return made


def resource_name(table: str) -> str:
    """Name of a table's resource: lower-case letters, digits and - only, as the standard recommends."""
    return re.sub(r"[^a-z0-9]+", "-", table.lower())


def descriptor(tables: Iterable[PackageTable], *, facts: Mapping[str, Any]) -> dict[str, Any]:
    """The ``datapackage.json`` of ``tables``; ``facts`` holds title, licences, sources and the like."""
    by_name = {table.name: table for table in tables}
    resources = []
    for table in by_name.values():
        content = csv_bytes(table.frame)
        resources.append(
            {
                "name": resource_name(table.name),
                "path": table.path,
                "description": table.relation.description,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "bytes": len(content),
                "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
                "dialect": {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True},
                "schema": table_schema(table, by_name),
            }
        )
    return {"$schema": PROFILE, **facts, "resources": resources}


def content_hash(tables: Iterable[PackageTable]) -> str:
    """SHA-256 over names, columns and cells of all tables: the same corpus state gives the same hash."""
    total = hashlib.sha256()
    for table in sorted(tables, key=lambda each: each.name):
        total.update(f"{table.name}\n{hashlib.sha256(csv_bytes(table.frame)).hexdigest()}\n".encode())
    return total.hexdigest()


def not_as_described(folder: Path, described: Mapping[str, Any]) -> list[str]:
    """Paths of a package's files that are there with another hash than its descriptor says; of a stranger's making."""
    found = []
    resources = described.get("resources")
    for resource in resources if isinstance(resources, list) else ():
        path, said = (resource.get("path"), resource.get("hash")) if isinstance(resource, dict) else (None, None)
        if not isinstance(path, str) or not isinstance(said, str) or "\x00" in path:
            continue
        file = folder / path
        if leads_out(file, root=folder) or not file.is_file():
            continue
        if said.startswith("sha256:") and said != f"sha256:{hash_bytes_of(file)}":
            found.append(path)
    return sorted(found)
