"""What one table or view holds: typed columns with their constraints, and frames checked against them."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import polars as pl
import pyarrow as pa

from pipeline.errors import DataError
from pipeline.store.schema.arrow_tables import arrow_of, in_order, neighbours_alike, one_of, without_nan

TYPES: dict[str, pa.DataType] = {
    "string": pa.string(),
    "int64": pa.int64(),
    "double": pa.float64(),
    "float": pa.float32(),
    "boolean": pa.bool_(),
    "date": pa.date32(),
    "list<string>": pa.list_(pa.string()),
    "list<double>": pa.list_(pa.float64()),
    "list<int64>": pa.list_(pa.int64()),
}
_POLARS: dict[str, Any] = {
    "string": pl.String(),
    "int64": pl.Int64(),
    "double": pl.Float64(),
    "float": pl.Float32(),
    "boolean": pl.Boolean(),
    "date": pl.Date(),
    "list<string>": pl.List(pl.String()),
    "list<double>": pl.List(pl.Float64()),
    "list<int64>": pl.List(pl.Int64()),
}
ID_PATTERN = "[a-z0-9][a-z0-9_-]{0,63}"
ID_WORDS = "small letters, digits, - and _, beginning with a letter or digit, at most 64"
KEY_PATTERN = "[A-G](b|#| flat| sharp)? (major|minor)"
# Word in a schema -> pattern, and what it asks for in words.
PATTERNS = {
    "id": (ID_PATTERN, f"an id: {ID_WORDS}"),
    "key": (KEY_PATTERN, "a key such as D major, B flat minor, F# minor"),
    "sha256": ("[0-9a-f]{64}", "a SHA-256 hash: 64 hexadecimal digits"),
    "uuid": ("[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "a UUID: 32 hexadecimal digits in five groups"),
    "country": ("[A-Z]{2}", "two capital letters, as in ISO 3166"),
}


@dataclass(frozen=True)
class Column:
    """One declared column.

    ``meanings`` says what each of ``values`` means, or is empty; ``computed_from`` names the date column beside which
    it is computed.
    """

    name: str
    type: str
    description: str
    unit: str | None = None
    required: bool = True
    values: tuple[Any, ...] = ()
    meanings: tuple[str, ...] = ()
    pattern: str | None = None
    example: str | None = None
    range: tuple[float, float] | None = None
    references: str | None = None
    edtf: bool = False
    computed_from: str | None = None

    @property
    def explained(self) -> tuple[tuple[str, str], ...]:
        """Each allowed value with its meaning; nothing where the values speak for themselves."""
        return tuple(zip(self.values, self.meanings, strict=True)) if self.meanings else ()

    def constraints(self, *, brief: bool = False) -> str:
        """The constraints in words, for messages and the dictionary; empty if there are none.

        ``brief``: what an id and a date are is told elsewhere.
        """
        said = []
        if brief and self.type == "boolean":
            said.append("yes or no")
        if brief and self.type == "date":
            said.append("a day: 1911-05-17")
        if self.values:
            said.append("one of " + ", ".join(str(value) for value in self.values))
        if self.range:
            said.append(f"{_bound(self.range[0])} to {_bound(self.range[1])}" + (f" {self.unit}" if self.unit else ""))
        if self.pattern:
            words = dict(PATTERNS.values()).get(self.pattern)
            if brief and self.pattern == ID_PATTERN:
                words = "an id"
            said.append(words or f"written like {self.example or self.pattern}")
        if self.references:
            said.append(f"must stand in {self.references}")
        if self.edtf:
            examples = "1903, 1904~, 190X, 1911/1913, [1927..1931], 1908/.."
            said.append("a date" if brief else f"a date as EDTF: {examples}")
        return "; ".join(said)


@dataclass(frozen=True)
class Violation:
    """One value that breaks a declared constraint; ``row`` counts from 0 in the checked frame."""

    row: int | None
    column: str
    value: str
    message: str


@dataclass(frozen=True)
class Relation:
    """One table or view as declared.

    ``groupings``: the groups (of ``tally.grouping``) whose rates it shows. ``stored``: whether it is kept as a table
    where its layer is. ``shown``: its columns in a table on the terminal, the most important first: where it is narrow
    the last give way; without it all are shown, or what summaries have in common.
    """

    name: str
    layer: str
    description: str
    grain: str
    key: tuple[str, ...]
    kept: Literal["by hand", "computed"]
    columns: tuple[Column, ...]
    folder: Literal["catalogue", "reviews", "reviews/drawn", ""] = ""
    groupings: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()
    stored: bool = True
    _by_name: dict[str, Column] = field(default_factory=dict, repr=False, compare=False)

    @property
    def written_columns(self) -> tuple[Column, ...]:
        """The columns that stand in the file; without those computed beside dates."""
        return tuple(column for column in self.columns if column.computed_from is None)

    def column(self, name: str) -> Column:
        """The column of that name; KeyError if there is none."""
        return self._by_name[name]

    def arrow_schema(self) -> pa.Schema:
        """Arrow schema, columns in declared order."""
        return self._arrow_schema

    @cached_property
    def _arrow_schema(self) -> pa.Schema:
        return pa.schema([pa.field(c.name, TYPES[c.type], nullable=not c.required) for c in self.columns])

    @cached_property
    def _plain_schema(self) -> pa.Schema:
        return pa.schema([field.with_nullable(True) for field in self._arrow_schema])

    def polars_schema(self) -> pl.Schema:
        """Polars schema, columns in declared order."""
        return pl.Schema({c.name: _POLARS[c.type] for c in self.columns})

    def empty(self) -> pl.DataFrame:
        """No rows, all columns."""
        return pl.DataFrame(schema=self.polars_schema())

    def checked(self, frame: pl.DataFrame) -> pl.DataFrame:
        """``frame`` with the declared types and column order, NaN as null.

        Columns that may be empty may also be missing: they are added as nulls.

        Raises
        ------
        DataError
            If a column is unknown or missing, a value cannot be cast or breaks a constraint, or a key occurs
            twice; lists all violations (the first 50 in full).
        """
        cast, violations = self.cast(frame)
        if not violations:
            violations = self.violations(cast)
        if violations:
            lines = [
                f"{self.name}: row {v.row + 1}: {v.column} = {v.value}: {v.message}"
                if v.row is not None
                else f"{self.name}: {v.column}: {v.message}"
                for v in violations[:50]
            ]
            if len(violations) > 50:
                lines.append(f"{self.name}: and {len(violations) - 50} more")
            raise DataError("\n".join(lines))
        return cast

    def arrow(self, frame: pl.DataFrame) -> pa.Table:
        """``frame`` as by ``checked``, as an Arrow table in the order of its key; raises alike.

        Twenty tables are written for each side, so here Arrow asks at once what Polars would in many small queries.
        """
        typed, violations = self._typed(frame)
        table = without_nan(self._plain_arrow(typed))
        if self.key:
            table = in_order(table, self.key)
        if violations or self._anything_wrong(table) or neighbours_alike(table.select(self.key)):
            self.checked(frame)  # says what is wrong
        return pa.Table.from_arrays(table.columns, schema=self._arrow_schema)

    def cast(self, frame: pl.DataFrame) -> tuple[pl.DataFrame, list[Violation]]:
        """``frame`` with declared types and order, NaN as null, and what could not be cast."""
        typed, violations = self._typed(frame)
        lists = pl.col(pl.List(pl.Float64())).list.eval(pl.element().fill_nan(None))
        return typed.with_columns(pl.selectors.float().fill_nan(None), lists), violations

    def _typed(self, frame: pl.DataFrame) -> tuple[pl.DataFrame, list[Violation]]:
        violations = [
            Violation(None, name, "", f"is not a declared column; declare it in schemas/{self.layer}/{self.name}.toml")
            for name in frame.columns
            if name not in self._by_name
        ]
        series = []
        for column in self.columns:
            kind = _POLARS[column.type]
            if column.name not in frame.columns:
                if column.required:
                    violations.append(Violation(None, column.name, "", "this column is missing; add it"))
                series.append(pl.Series(column.name, [None] * frame.height, dtype=kind))
                continue
            given = frame[column.name]
            if given.dtype == kind:
                made = given
            else:
                try:
                    made = given.cast(kind, strict=False)
                except pl.exceptions.PolarsError:
                    made = pl.Series(column.name, [None] * frame.height, dtype=kind)
                lost = (given.is_not_null() & made.is_null()).arg_true()
                if column.type == "int64" and given.dtype.is_float():
                    lost = (given.is_not_null() & given.is_not_nan() & (given != made).fill_null(True)).arg_true()
                violations.extend(
                    Violation(int(row), column.name, repr(given[int(row)]), f"is not of type {column.type}")
                    for row in lost
                )
            series.append(made.rename(column.name))
        return pl.DataFrame(series), violations

    def _plain_arrow(self, typed: pl.DataFrame) -> pa.Table:
        return arrow_of(typed).cast(self._plain_schema)

    def _anything_wrong(self, table: pa.Table) -> bool:
        """Whether any value is wrong: hardly ever one is, and asking for each in full is slow."""
        import pyarrow.compute as pc

        for column in self.columns:
            values = table[column.name]
            if column.required and values.null_count:
                return True
            values = pc.list_flatten(values) if pa.types.is_list(values.type) else values
            if values.null_count == len(values):
                continue
            if column.values and not pc.all(pc.is_in(values, one_of(column.values, values.type))).as_py():
                return True
            if column.range:
                low, high = pc.min_max(values).as_py().values()
                if low < column.range[0] or high > column.range[1]:
                    return True
            if column.pattern and not pc.all(pc.match_substring_regex(values, f"^(?:{column.pattern})$")).as_py():
                return True
        return False

    def violations(self, frame: pl.DataFrame) -> list[Violation]:
        """All values of a cast frame that break a declared constraint; foreign keys are checked elsewhere."""
        found: list[Violation] = []
        if frame.height == 0:
            return found
        if self._anything_wrong(self._plain_arrow(frame)):
            for column in self.columns:
                found.extend(column_violations(column, frame[column.name]))
        if self.key:
            repeated = frame.select(pl.struct(list(self.key)).is_duplicated().alias("twice"))["twice"]
            for row in repeated.arg_true():
                value = ", ".join(str(frame[name][int(row)]) for name in self.key)
                found.append(Violation(int(row), ", ".join(self.key), value, "this key stands in more than one row"))
        return found


def column_violations(column: Column, values: pl.Series) -> list[Violation]:
    """The values of one column that break its own constraints, in the order of rows."""
    bad: list[tuple[pl.Series, str]] = []
    if column.required:
        bad.append((values.is_null(), "must not be empty"))
    if column.values:
        allowed = pl.Series(values=list(column.values), dtype=values.dtype).to_list()
        bad.append((values.is_not_null() & ~values.is_in(allowed).fill_null(True), f"must be {column.constraints()}"))
    if column.range:
        low, high = column.range
        if column.type.startswith("list"):
            outside = values.list.eval(~pl.element().is_between(low, high)).list.any().fill_null(False)
        else:
            outside = ~values.is_between(low, high).fill_null(True)
        message = f"must be {_bound(low)} to {_bound(high)}" + (f" {column.unit}" if column.unit else "")
        bad.append((outside, message))
    if column.pattern:
        matches = values.str.contains(f"^(?:{column.pattern})$").fill_null(True)
        bad.append((~matches, f"must be {column.constraints()}"))
    return [
        Violation(int(row), column.name, repr(values[int(row)]), message)
        for mask, message in bad
        for row in mask.arg_true()
    ]


def _bound(value: float) -> str:
    return f"{value:g}" if abs(value) < 1e6 else f"{value:.0f}"
