"""What does every table and view hold? ``schemas/<layer>/<name>.toml`` as relations with typed columns.

A relation checks any frame against its columns: type, unit, range, pattern, key. Dates are EDTF (ISO 8601-2:2019), with
strict and padded bounds computed beside them. Doors: ``load`` and ``relations``; ``dates.parse_date``.
"""

from pipeline.store.schema.declared import LAYERS, hand_kept, load, relations
from pipeline.store.schema.relation import (
    ID_PATTERN,
    ID_WORDS,
    KEY_PATTERN,
    PATTERNS,
    Column,
    Relation,
    Violation,
    column_violations,
)

__all__ = [
    "ID_PATTERN",
    "ID_WORDS",
    "KEY_PATTERN",
    "LAYERS",
    "PATTERNS",
    "Column",
    "Relation",
    "Violation",
    "column_violations",
    "hand_kept",
    "load",
    "relations",
]
