"""Makes an empty corpus: headed CSV files, commented settings, and a page on how to fill them."""

import json
from collections.abc import Callable, Iterable
from inspect import cleandoc
from pathlib import Path
from typing import Any

from pydantic.fields import FieldInfo

from pipeline.errors import DataError, typed
from pipeline.settings import Group, Settings
from pipeline.store.adding.editing import EditableTable
from pipeline.store.files.changes import changing, is_cut_short
from pipeline.store.files.outputs import refuse_inside_a_corpus
from pipeline.store.schema import Relation, hand_kept

PAGE = "HOW-TO-FILL.md"
SETTINGS = "settings.toml"

# What to fill first; the others are in the order of the alphabet.
_FIRST = ("player", "take", "side", "side_take", "performance", "transfer")


def new(root: Path | str) -> list[Path]:
    """Makes a corpus in ``root``; returns the files written. Files that exist are left alone.

    Raises
    ------
    DataError
        If ``root`` is a file or already holds a corpus, or cannot be written.
    UsageError
        If it lies among another corpus's own files.
    """
    return begin(Path(root))


def begin(
    root: Path,
    *,
    title: str = "",
    scheme: str = "",
    filled: Callable[[Path], Iterable[EditableTable]] = lambda root: (),
) -> list[Path]:
    """As ``new``, with a title and a scheme of periods, and with the tables that ``filled`` makes for empty ones."""
    if root.exists() and not root.is_dir():
        raise DataError(f"{root}: is a file", "choose another name for the corpus folder")
    if not is_cut_short(root):
        _require_none(root)
        refuse_inside_a_corpus(root, cure="choose another place for a corpus of its own")
    with changing(root, doing="new") as change:
        if SETTINGS in change.finished:  # the same command, cut short
            return [root / name for name in change.finished]
        _require_none(root)
        for folder in ("catalogue", "audio", "reviews"):
            change.folder(root / folder)
        tables = {table.path: table for table in filled(root)}
        for relation in hand_kept("catalogue"):
            path = root / "catalogue" / f"{relation.name}.csv"
            tables.setdefault(path, EditableTable.read(path, relation=relation))
        for table in tables.values():
            table.into(change)
        pages = {root / SETTINGS: settings_text(title, scheme), root / PAGE: page_text()}
        written = {path: text for path, text in pages.items() if not path.exists()}
        for path, text in written.items():
            change.put(path, text.encode(), was=None)
        return [*tables, *written]


def _require_none(root: Path) -> None:
    if (root / "catalogue").exists() or (root / SETTINGS).exists():
        raise DataError(f"{root}: already holds a corpus", f"add to it with `glideline add {typed(root)} AUDIO…`")


def settings_text(title: str = "", scheme: str = "") -> str:
    """The settings file with every setting commented out at its default, described."""
    lines = [
        "# Settings of this corpus. A line without the # in front of a name changes a setting.",
        "",
        "# Title of the corpus, for reports and exports.",
        f"title = {json.dumps(title, ensure_ascii=False)}",
        "",
        "# Scheme of period.csv that is used when a question names none.",
        f"default_period_scheme = {json.dumps(scheme, ensure_ascii=False)}",
    ]
    for name, field in Settings.model_fields.items():
        group = field.annotation
        if not (isinstance(group, type) and issubclass(group, Group) and group.model_fields):
            continue
        lines += ["", *(f"# {line}".rstrip() for line in cleandoc(group.__doc__ or "").splitlines()), f"[{name}]"]
        for setting, details in group.model_fields.items():
            lines += [
                f"# {details.description} {_range_of(details)}".rstrip(),
                f"# {setting} = {_toml(details.default)}",
            ]
    return "\n".join(lines) + "\n"


def _range_of(details: FieldInfo) -> str:
    bounds = {type(rule).__name__.casefold(): rule for rule in details.metadata}
    low = getattr(bounds.get("ge"), "ge", getattr(bounds.get("gt"), "gt", None))
    high = getattr(bounds.get("le"), "le", getattr(bounds.get("lt"), "lt", None))
    if low is not None and high is not None:
        return f"({_bound(low)} to {_bound(high)})"
    return f"(at least {_bound(low)})" if low is not None else f"(at most {_bound(high)})" if high is not None else ""


def _bound(value: Any) -> str:
    return f"{value}" if isinstance(value, int) else f"{value:g}"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(part) for part in value) + "]"
    return f"{value}"


def page_text() -> str:
    """The page on how to fill the tables."""
    tables = {relation.name: relation for relation in hand_kept("catalogue")}
    order = [*_FIRST, *sorted(set(tables) - set(_FIRST))]
    parts = [_INTRODUCTION, *(_table_text(tables[name]) for name in order), _REVIEWS]
    parts += [_table_text(relation) for relation in hand_kept("reviews")]
    return "\n".join(parts)


def _table_text(relation: Relation) -> str:
    lines = [f"## {relation.folder}/{relation.name}.csv" if relation.folder == "catalogue" else f"## {relation.name}"]
    lines += ["", f"{relation.description} {relation.grain[0].upper()}{relation.grain[1:]}.", ""]
    for column in relation.written_columns:
        needed = "**must be filled**; " if column.required else ""
        rule = column.constraints(brief=True)
        lines.append(f"- `{column.name}`: {needed}{column.description}" + (f" ({rule})" if rule else ""))
    return "\n".join(lines) + "\n"


_INTRODUCTION = """# How to fill the tables

The quickest way is one sheet with a line for each recording, in your own spreadsheet:

    glideline add DIR AUDIO… --sheet mine.xlsx

It understands headings like file, player, born, died, year, work, key, A4, label, matrix, take, accompaniment,
archive, rpm and note, shows what it would write, and asks; other columns go into the note. You can edit the sheet
and add it again: what it says anew is taken over, with players and teachers that come and go, and what you changed
in these tables by hand stays.

Players of a line: `A. Vint (violin) & B. Ort (piano)` says who plays what. `A. Vint & B. Ort` (or with /, ;, and) is
read as two who play together, neither of them certain; `A. Vint or B. Ort` as one of the two, each possible;
`A. Vint?` as possible; `A. Vint (c. 1871–1940)` tells of a life. A sheet of its own in the same workbook, with name,
born, died and teachers, tells of people.

Composers: `Anon.` and `trad.` are kept, for they say what is known of the work. `unknown` says that nothing is: the
composer stays empty, and the word goes into the note. Ids are made from none of them.

Teachers: `A. Vint; B. Ort?`, or in words such as `pupil of A. Vint, later with B. Ort?`. A bracket behind a name says
when and where: `A. Vint (Prague, 1901-03)`. What is not names alone goes into the note, and is listed.

Or fill the tables themselves. Only player, take, side and transfer are needed for a first run, joined by
side_take (which take is on which side) and performance (who plays on which take).

- A spreadsheet can edit the files; save as "CSV UTF-8". Commas and semicolons are both understood.
- Ids are small letters, digits, - and _, beginning with a letter or digit, at most 64: `anna-vint`. They tie the
  tables together; choose them once for all. "Must stand in player.player_id": write an id that player.csv has.
- Leave a cell empty when you do not know. Do not write "unknown" or 0.
- Dates are written as in these examples: `1903`, `1903-11`, `1903-11-05`, `1904~` (about), `1904?` (perhaps),
  `190X` (that decade), `1911/1913` (from, to), `[1927..1931]` (at one time between), `1908/..` (and still going
  on), `1908/` (the end is not known).
- `glideline check DIR` names everything that is wrong, with file, row, column, value and cure.

A **take** is one performance (matrix number and take number), a **side** a face of a disc, a **transfer** one
digitisation of a side. Several transfers may hold one take; it is counted once.
"""

_REVIEWS = """# Reviews

`glideline listen` writes them; each listener has a file in reviews/, `<listener>.csv` for verdicts and
`<listener>.marks.csv` for own marks. `code-salt.txt` there, made by the first `glideline export`, is the secret from
which codes of listeners are made: keep it, and give it to nobody.
"""
