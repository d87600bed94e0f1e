"""Ids as they are typed: a beginning serves where only one id begins so, and the shell completes them."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.errors import GlidelineError, UsageError

_LISTED = 12


def whole_id(folder: Path, given: str, *tables: str) -> str:
    """The id of one of the tables that is ``given`` or begins so; ``given`` itself where none does.

    Where all that begin so go on from the shortest of them, that one is meant.

    Raises
    ------
    UsageError
        If several begin so; lists them.
    """
    known = ids_of(folder, tables)
    if given in known:
        return given
    found = [one for one in known if one.startswith(given.casefold())]
    shortest = min(found, key=len, default="")
    if all(one == shortest or one.startswith(f"{shortest}-") for one in found):
        return shortest or given  # a take is meant before its transfers, whose ids go on from its own
    more = f" and {len(found) - _LISTED} more" if len(found) > _LISTED else ""
    raise UsageError(f"{len(found)} ids begin with {given!r}: {', '.join(found[:_LISTED])}{more}", "write more of it")


def ids_of(folder: Path, tables: Sequence[str]) -> list[str]:
    """All ids of these tables of the catalogue as they are written, sorted; nothing else of it is read."""
    from pipeline.store.catalogue.csv_text import read_text_table
    from pipeline.store.catalogue.tables import table_files
    from pipeline.store.schema import load

    relations = [load(table) for table in tables]
    texts = [
        read_text_table(path, relation=relation, root=folder)
        for relation in relations
        for path in table_files(folder, relation)
    ]
    return sorted({cell for text in texts for cell in text.column(text.relation.key[0]) if cell})


def completing(*tables: str) -> Any:
    """What the shell may complete to, for an argument or option that takes an id of these tables."""

    def complete(ctx: Any, incomplete: str) -> list[str]:
        try:
            return [one for one in ids_of(Path(ctx.params["folder"]), tables) if one.startswith(incomplete)]
        except (GlidelineError, KeyError, TypeError, OSError):
            return []

    return complete
