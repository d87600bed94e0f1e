"""Collects what the cross checks find: each finding gets the file and row at which its cell stands."""

from collections.abc import Mapping
from typing import Any, Literal

from pipeline.store.catalogue.problems import Problem
from pipeline.store.catalogue.tables import Catalogue

Row = Mapping[str, Any]


class Findings:
    """Findings about the rows of a catalogue, in the order in which they were made."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        self.problems: list[Problem] = []
        self._wrong = {(problem.file, problem.row, problem.column) for problem in catalogue.problems()}

    def error(self, table: str, row: Row, column: str, message: str, cure: str) -> None:
        """Something that must be mended."""
        self._add(table, row, column, message, cure, "error")

    def remark(self, table: str, row: Row, column: str, message: str, cure: str) -> None:
        """Something to know or to look at."""
        self._add(table, row, column, message, cure, "remark")

    def _add(
        self, table: str, row: Row, column: str, message: str, cure: str, severity: Literal["error", "remark"]
    ) -> None:
        file, number = self.catalogue.place(table, dict(row))
        if row.get(column) is None and (file, number, column) in self._wrong:
            return  # it is empty only because what stands there cannot be read
        value = "" if row.get(column) is None else _written(row[column])
        relation_key = next(iter(row))
        key = str(row[relation_key] or "")
        self.problems.append(Problem(file, number, column, value, message, cure, severity, table, key))


def _written(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def apart(one: Row, column: str, other: Row, other_column: str) -> bool:
    """Whether two dates cannot fall together: by their strict bounds one ends before the other begins."""
    return before(one, column, other, other_column) or before(other, other_column, one, column)


def before(one: Row, column: str, other: Row, other_column: str) -> bool:
    """Whether the first date is over, by strict bounds, before the second can begin."""
    latest, earliest = one[f"{column}_latest"], other[f"{other_column}_earliest"]
    return latest is not None and earliest is not None and latest < earliest
