"""Writes tables for Stata (.dta) and SPSS (.sav) through pyreadstat.

Limits: Stata names have at most 32 characters and variable labels 80 (Stata, comparison of limits); SPSS names
have at most 64 bytes and differ by more than case, labels at most 256 bytes, text at most 32,767 bytes (IBM,
SPSS Statistics command syntax reference, variable names). One set of names serves both formats: the stricter.

Known deviations: text is never missing in Stata, so an empty cell is empty text there; lists become text
joined by "; "; a text longer than SPSS takes is cut, and said to be.
"""

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.store.files.durable import unwritten
from pipeline.store.schema import Column, Relation

NAME_LIMIT = 32
STATA_LABEL_LIMIT = 80
SPSS_LABEL_LIMIT = 256
SPSS_VALUE_LABEL_LIMIT = 120
SPSS_TEXT_LIMIT = 32_767

# Stata, [U] 11.3 Naming conventions; SPSS command syntax reference, variable names.
RESERVED = frozenset(
    [
        "_all",
        "_b",
        "byte",
        "_coef",
        "_cons",
        "double",
        "float",
        "if",
        "in",
        "int",
        "long",
        "_n",
        "_pi",
        "_pred",
        "_rc",
        "_skip",
        "strl",
        "using",
        "with",
        "all",
        "and",
        "by",
        "eq",
        "ge",
        "gt",
        "le",
        "lt",
        "ne",
        "not",
        "or",
        "to",
        "pi",
    ]
)


@dataclass(frozen=True)
class Coded:
    """One table made ready: the frame, and what its columns and codes mean."""

    frame: pl.DataFrame
    names: dict[str, str]
    labels: dict[str, str]
    codes: dict[str, dict[int, str]]
    cut: tuple[str, ...]


def short_names(columns: Iterable[str]) -> dict[str, str]:
    """For each column its name in Stata and SPSS: within limits, not reserved, unique without regard to case.

    Words are shortened to four letters, the longest first, until the name fits; what then clashes is numbered.
    """
    names: dict[str, str] = {}
    taken: set[str] = set()
    for column in columns:
        name = re.sub(r"[^A-Za-z0-9_]", "_", column)
        if not re.match("[A-Za-z_]", name):
            name = f"v_{name}"
        words = name.split("_")
        while len("_".join(words)) > NAME_LIMIT and max(map(len, words)) > 4:
            longest = max(range(len(words)), key=lambda n: len(words[n]))
            words[longest] = words[longest][:4]
        name = "_".join(words)[:NAME_LIMIT].rstrip("_") or "v"
        if name.lower() in RESERVED or re.fullmatch(r"str\d+", name.lower()):
            name = f"{name}_v"
        stem, number = name, 2
        while name.lower() in taken:
            name = f"{stem[: NAME_LIMIT - len(str(number)) - 1]}_{number}"
            number += 1
        taken.add(name.lower())
        names[column] = name
    return names


def coded(frame: pl.DataFrame, relation: Relation) -> Coded:
    """``frame`` with coded columns as numbers, lists as text and short names, and all labels.

    Columns with declared values get the codes 1, 2, … in declared order, true and false 1 and 0.
    """
    columns = [relation.column(name) for name in frame.columns]
    names = short_names(frame.columns)
    series, codes, cut = [], {}, []
    for column in columns:
        values = frame[column.name]
        name = names[column.name]
        if column.values and values.dtype == pl.String:
            numbers = {str(value): n for n, value in enumerate(column.values, start=1)}
            values = values.replace_strict(numbers, return_dtype=pl.Int64)
            codes[name] = {n: value[:SPSS_VALUE_LABEL_LIMIT] for value, n in numbers.items()}
        elif values.dtype == pl.Boolean:
            values = values.cast(pl.Int64)
            codes[name] = {0: "no", 1: "yes"}
        elif isinstance(values.dtype, pl.List):
            values = values.cast(pl.List(pl.String)).list.join("; ")
        if values.dtype == pl.String and (values.str.len_bytes().max() or 0) > SPSS_TEXT_LIMIT:  # type: ignore[operator]
            cut.append(column.name)
        series.append(values.rename(name))
    labels = {names[column.name]: label(column) for column in columns}
    return Coded(pl.DataFrame(series), names, labels, codes, tuple(cut))


def label(column: Column) -> str:
    """Variable label: the first sentence of the description, with the unit."""
    first = re.split(r"(?<=[.;:])\s", column.description, maxsplit=1)[0].rstrip(".;:")
    return f"{first} [{column.unit}]" if column.unit else first


def _within(text: str, *, limit: int) -> str:
    raw = text.encode()
    return text if len(raw) <= limit else raw[: limit - 3].decode(errors="ignore") + "…"


def write_stata(table: Coded, path: Path) -> None:
    """Write ``table`` as Stata 14 file, which every later Stata and R's haven read in full."""
    import pyreadstat

    # A null beside long text makes pyreadstat fail half-way and leave an unreadable file.
    frame = table.frame.with_columns(pl.col(pl.String).fill_null(""))
    with _writing(path):
        pyreadstat.write_dta(frame, path, version=14, **_labels(table, STATA_LABEL_LIMIT))


def write_spss(table: Coded, path: Path) -> None:
    """Write ``table`` as compressed SPSS file; text beyond the format's limit is cut and ends in "…"."""
    import pyreadstat

    frame = table.frame.with_columns(
        pl.col(names).map_elements(lambda text: _within(text, limit=SPSS_TEXT_LIMIT), return_dtype=pl.String)
        for names in (table.names[column] for column in table.cut)
    )
    measure = dict.fromkeys(table.codes, "nominal")
    with _writing(path):
        pyreadstat.write_sav(frame, path, compress=True, variable_measure=measure, **_labels(table, SPSS_LABEL_LIMIT))


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    import pyreadstat

    try:
        yield
    except pyreadstat.ReadstatError as error:
        raise unwritten(path, error) from error


def _labels(table: Coded, limit: int) -> dict[str, Any]:
    return {
        "column_labels": {name: _within(text, limit=limit) for name, text in table.labels.items()},
        "variable_value_labels": table.codes,
    }
