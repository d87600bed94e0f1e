"""What every table and view holds: ``schemas/<layer>/<name>.toml`` as relations with typed columns."""

from pipeline.store.schema.relation import (
    ID_PATTERN,
    ID_WORDS,
    KEY_PATTERN,
    LAYERS,
    PATTERNS,
    Column,
    Relation,
    Violation,
    column_violations,
    hand_kept,
    load,
    relations,
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
