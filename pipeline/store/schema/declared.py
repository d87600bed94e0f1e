"""Reads ``schemas/<layer>/<name>.toml``: the only source of types, checks, database comments and the dictionary.

``like`` names relations whose columns, but for their keys, follow the relation's own: said once, they are part of each
relation all the same. In layers other than ``base``, columns of the key must be filled and others may be empty, unless
``required`` says otherwise. A column with ``edtf = true`` holds a date as people write it; the columns computed beside
it (see ``store.dates``) are declared here from it, so that they are typed, described and checked like any other.
``values`` lists what is allowed, or names a list of ``schemas/values.toml``, where each value has its meaning.
"""

import re
import tomllib
from functools import cache

from pipeline import resources
from pipeline.errors import DataError
from pipeline.store.schema.dates import PADDING_RULE
from pipeline.store.schema.relation import PATTERNS, TYPES, Column, Relation

LAYERS = ("base", "stage", "fact", "tally", "result", "summary", "check")
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


def _parse(name: str, layer: str, text: str) -> Relation:
    document = tomllib.loads(text)
    columns: list[Column] = []
    for column_name, entry in document.get("columns", {}).items():
        known = {
            "type",
            "description",
            "unit",
            "required",
            "values",
            "pattern",
            "example",
            "range",
            "references",
            "edtf",
        }
        if unknown := sorted(set(entry) - known):
            raise DataError(f"schemas/{layer}/{name}.toml: {column_name}: unknown words {', '.join(unknown)}")
        if entry["type"] not in TYPES:
            raise DataError(f"schemas/{layer}/{name}.toml: {column_name}: unknown type {entry['type']!r}")
        pattern = entry.get("pattern")
        values = entry.get("values", ())
        meanings = _shared_values()[values] if isinstance(values, str) else {}
        columns.append(
            Column(
                name=column_name,
                type=entry["type"],
                description=entry["description"],
                unit=entry.get("unit"),
                required=entry.get("required", layer == "base" or column_name in document["key"]),
                values=tuple(meanings or values),
                meanings=tuple(meanings.values()),
                pattern=PATTERNS[pattern][0] if pattern in PATTERNS else pattern,
                example=entry.get("example"),
                range=tuple(entry["range"]) if "range" in entry else None,
                references=entry.get("references"),
                edtf=entry.get("edtf", False),
            )
        )
        if columns[-1].edtf:
            columns.extend(
                Column(
                    name=f"{column_name}_{suffix}",
                    type=kind,
                    description=description.format(column_name),
                    required=False,
                    values=values,
                    computed_from=column_name,
                )
                for suffix, kind, description, values in DATE_COLUMNS
            )
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


@cache
def _shared_values() -> dict[str, dict[str, str]]:
    """Lists of allowed values by name, each value with its meaning."""
    return tomllib.loads((resources.folder("schemas") / "values.toml").read_text(encoding="utf-8"))


@cache
def load(name: str, layer: str = "base") -> Relation:
    """The relation declared in ``schemas/<layer>/<name>.toml``.

    Raises
    ------
    DataError
        If there is no such file or it uses an unknown word or type.
    """
    path = resources.folder("schemas") / layer / f"{name}.toml"
    if not re.fullmatch("[a-z0-9_]+", name) or layer not in LAYERS or not path.is_file():
        raise DataError(f"no table {layer}.{name}", "`glideline dictionary` lists all tables")
    return _parse(name, layer, path.read_text(encoding="utf-8"))


def relations(layer: str | None = None) -> list[Relation]:
    """All declared relations, by layer from the lowest up and then by name."""
    root = resources.folder("schemas")
    found: list[Relation] = []
    for each in LAYERS if layer is None else (layer,):
        found.extend(load(path.stem, each) for path in sorted((root / each).glob("*.toml")))
    return found


def hand_kept(folder: str | None = None) -> list[Relation]:
    """Relations of the base layer that are kept by hand, all or those of one folder (``catalogue``, ``reviews``)."""
    return [r for r in relations("base") if r.kept == "by hand" and folder in (None, r.folder)]
