"""Reads ``schemas/<layer>/<name>.toml``: the only source of types, checks, database comments and the dictionary.

``like`` names relations whose columns, but for their keys, follow the relation's own: said once, they are part of each
relation all the same. In layers other than ``base``, columns of the key must be filled and others may be empty, unless
``required`` says otherwise. A column with ``edtf = true`` holds a date as people write it; the columns computed beside
it (see ``store.dates``) are declared here from it, so that they are typed, described and checked like any other.
``values`` lists what is allowed, or names a list of ``schemas/values.toml``, where each value has its meaning.
"""

import hashlib
import json
import os
import sys
import tomllib
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any, cast

from pipeline import resources
from pipeline.errors import DataError
from pipeline.store.schema.dates import PADDING_RULE
from pipeline.store.schema.relation import PATTERNS, TYPES, Column, Relation

LAYERS = ("base", "stage", "fact", "tally", "result", "summary", "export", "check")
# What is computed beside a date column: suffix, type, description, allowed values.
DATE_COLUMNS: tuple[tuple[str, str, str, tuple[str, ...]], ...] = (
    ("earliest", "date", "First day that {0} can mean, taken strictly; empty if open or unknown.", ()),
    ("latest", "date", "Last day that {0} can mean, taken strictly; empty if open or unknown.", ()),
    ("padded_earliest", "date", f"First day of {{0}}, {PADDING_RULE}.", ()),
    ("padded_latest", "date", f"Last day of {{0}}, {PADDING_RULE}.", ()),
    ("qualifier", "string", "What {0} says of its own doubt.", ("approximate", "uncertain", "both")),
    ("start_is", "string", "Whether {0} has a first day.", ("known", "open", "unknown")),
    ("end_is", "string", "Whether {0} has a last day.", ("known", "open", "unknown")),
)


def _parse(name: str, layer: str, document: Mapping[str, Any]) -> Relation:
    columns: list[Column] = []
    for column_name, entry in document.get("columns", {}).items():
        where = f"schemas/{layer}/{name}.toml: {column_name}"
        columns += _columns(column_name, entry, where, required=layer == "base" or column_name in document["key"])
    for like in document.get("like", ()):
        shared = load(*reversed(like.split(".")))
        columns.extend(column for column in shared.columns if column.name not in shared.key)
    kept = document.get("kept", "computed")
    return Relation(
        name=name,
        layer=layer,
        description=document["description"],
        grain=document["grain"],
        key=tuple(document["key"]),
        kept=kept,
        columns=tuple(columns),
        folder=document.get("folder", "catalogue" if kept == "by hand" else ""),
        groupings=tuple(document.get("groupings", ())),
        shown=tuple(document.get("shown", ())),
        stored=document.get("stored", True),
        _by_name={column.name: column for column in columns},
    )


_WORDS = {"type", "description", "unit", "required", "values", "pattern", "example", "range", "references", "edtf"}


def _columns(name: str, entry: Mapping[str, Any], where: str, *, required: bool) -> list[Column]:
    """A declared column, with those computed beside it where it holds dates; ``required`` where nothing is said."""
    if unknown := sorted(set(entry) - _WORDS):
        raise DataError(f"{where}: unknown words {', '.join(unknown)}")
    if entry["type"] not in TYPES:
        raise DataError(f"{where}: unknown type {entry['type']!r}")
    pattern = entry.get("pattern")
    values = entry.get("values", ())
    meanings = _shared_values()[values] if isinstance(values, str) else {}
    column = Column(
        name=name,
        type=entry["type"],
        description=entry["description"],
        unit=entry.get("unit"),
        required=entry.get("required", required),
        values=tuple(meanings or values),
        meanings=tuple(meanings.values()),
        pattern=PATTERNS[pattern][0] if pattern in PATTERNS else pattern,
        example=entry.get("example"),
        range=tuple(entry["range"]) if "range" in entry else None,
        references=entry.get("references"),
        edtf=entry.get("edtf", False),
    )
    beside = [
        Column(
            name=f"{name}_{suffix}",
            type=kind,
            description=description.format(name),
            required=False,
            values=allowed,
            computed_from=name,
        )
        for suffix, kind, description, allowed in (DATE_COLUMNS if column.edtf else ())
    ]
    return [column, *beside]


def _shared_values() -> Mapping[str, dict[str, str]]:
    """Lists of allowed values by name, each value with its meaning."""
    return _documents()["values"]


@cache
def _documents() -> Mapping[str, Mapping[str, Any]]:
    """Every file of ``schemas/`` as it stands, by layer and name.

    Parsing them takes as long as many a question: they are kept parsed where Python keeps compiled modules, under a
    hash of their text. Where that folder cannot be written they are parsed each time.
    """
    root = resources.folder("schemas")
    files = {path.relative_to(root).with_suffix("").as_posix(): path.read_bytes() for path in root.rglob("*.toml")}
    stamp = hashlib.sha256(repr(sorted(files.items())).encode()).hexdigest()
    kept = _kept()
    with suppress(OSError, ValueError, TypeError):  # none yet, or cut short
        stamped, documents = json.loads(kept.read_text(encoding="utf-8"))
        if stamped == stamp:
            return cast(Mapping[str, Mapping[str, Any]], documents)
    documents = {name: tomllib.loads(text.decode("utf-8")) for name, text in files.items()}
    if sys.dont_write_bytecode:
        return documents
    part = kept.with_name(f"{kept.name}.{os.getpid()}")
    with suppress(OSError):
        part.write_text(json.dumps([stamp, documents]), encoding="utf-8")
        part.replace(kept)
    return documents


def _kept() -> Path:
    return Path(__file__).with_name("__pycache__") / "schemas.json"


@cache
def load(name: str, layer: str = "base") -> Relation:
    """The relation declared in ``schemas/<layer>/<name>.toml``.

    Raises
    ------
    DataError
        If there is no such file or it uses an unknown word or type.
    """
    document = _documents().get(f"{layer}/{name}")
    if document is None:
        raise DataError(f"no table {layer}.{name}", "`glideline dictionary` lists all tables")
    return _parse(name, layer, document)


def relations(layer: str | None = None) -> list[Relation]:
    """All declared relations, by layer from the lowest up and then by name."""
    names = sorted(_documents())
    return [
        load(name.removeprefix(f"{each}/"), each)
        for each in (LAYERS if layer is None else (layer,))
        for name in names
        if name.startswith(f"{each}/")
    ]


def hand_kept(folder: str | None = None) -> list[Relation]:
    """Relations of the base layer that are kept by hand, all or those of one folder (``catalogue``, ``reviews``)."""
    return [r for r in relations("base") if r.kept == "by hand" and folder in (None, r.folder)]
