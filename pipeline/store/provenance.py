"""Rows of the ``run`` table: what each step read, with which version and settings, and how it went.

A row holds hashes only of contents, never a clock, host or path, so that the same work gives the same bytes.
When a step ran, and on what, stands in ``derived/log/``.
"""

import hashlib
import json
import platform
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Literal

import polars as pl

import pipeline

Outcome = Literal["done", "cannot_tell", "failed"]
Cause = Literal["input", "machine", "killed", "fault"]
# Not in what a step was given: a mended disk or program does not show in its key, so every run tries once more.
TRIED_AGAIN: tuple[Cause, ...] = ("machine", "fault")

_JSON_COLUMNS = ("settings", "facts", "input_hashes", "output_hashes", "libraries")
_LONG_FACTS = 20_000  # characters of JSON; beyond, a row keeps hashes of the facts instead of the facts
HASHED = "sha256:"
"""What a hash in their place begins with."""


@dataclass(frozen=True)
class RunRow:
    """One row of ``run``; see ``schemas/base/run.toml``. The JSON columns are decoded here."""

    transfer_id: str
    step: str
    unit_id: str
    step_version: int
    outcome: Outcome
    cause: Cause | None
    message: str
    samples_sha256: str | None
    file_sha256: str | None
    key_sha256: str
    settings: Mapping[str, Any]
    facts: Mapping[str, Any]
    input_hashes: Mapping[str, str]
    output_hashes: Mapping[str, str]
    libraries: Mapping[str, str]


def canonical(value: Any) -> str:
    """JSON with sorted keys and no spaces: equal values give equal text. NaN and infinities are refused."""
    return _ENCODER.encode(value)


def _plain(value: Any) -> Any:
    if hasattr(value, "isoformat"):
        return value.isoformat()
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, set | frozenset):
        return sorted(value)
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"{type(value).__name__} {value!r} is not a plain value")


_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False, default=_plain)


def hash_text(text: str) -> str:
    """SHA-256 of a text's UTF-8 bytes, in hex."""
    return hashlib.sha256(text.encode()).hexdigest()


def hash_value(value: Any) -> str:
    """SHA-256 of a plain value's canonical JSON, in hex."""
    return hash_text(canonical(value))


def hash_bytes_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hex, read in pieces."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def shortened(facts: Mapping[str, Any]) -> Mapping[str, Any]:
    """The facts as they go into a row: whole, or a hash for each if they are long."""
    if len(canonical(facts)) <= _LONG_FACTS:
        return facts
    return {name: f"{HASHED}{hash_value(value)}" for name, value in facts.items()}


@cache
def libraries() -> Mapping[str, str]:
    """Versions of glideline, Python and the libraries whose results end up in tables."""
    found = {"glideline": pipeline.__version__, "python": platform.python_version()}
    for name in ("librosa", "numba", "numpy", "polars", "pyarrow", "scipy", "soundfile", "soxr"):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def rows_of(frame: pl.DataFrame | None) -> dict[str, RunRow]:
    """Step name -> row, from one transfer's ``run`` table."""
    if frame is None:
        return {}
    return {row["step"]: row_of(row) for row in frame.iter_rows(named=True)}


def row_of(values: Mapping[str, Any]) -> RunRow:
    """A row from its column values; JSON columns that were not read become empty."""
    plain: dict[str, Any] = {
        item.name: json.loads(values.get(item.name) or "{}") if item.name in _JSON_COLUMNS else values.get(item.name)
        for item in fields(RunRow)
    }
    return RunRow(**plain)


def frame_of(rows: Iterable[RunRow]) -> pl.DataFrame:
    """The ``run`` table of the rows, sorted by transfer and step."""
    ordered = sorted(rows, key=lambda row: (row.transfer_id, row.step))
    columns = {
        item.name: [
            canonical(getattr(row, item.name)) if item.name in _JSON_COLUMNS else getattr(row, item.name)
            for row in ordered
        ]
        for item in fields(RunRow)
    }
    types = {name: pl.Int64 if name == "step_version" else pl.String for name in columns}
    return pl.DataFrame(columns, schema=types)
