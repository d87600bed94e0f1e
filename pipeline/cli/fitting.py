"""Fits a table to a width: the columns that matter, words never cut, long remarks below their row."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

GAP = "  "
_LEAST_NOTE = 30  # a remark in a narrower column is more lines tall than it is worth
_LONGEST_WORD = 24  # a longer one may be cut


@dataclass(frozen=True)
class Column:
    """A column of text.

    Attributes
    ----------
    whole : its cells are never wrapped: ids, numbers, times.
    right : numbers, set to the right.
    rank : what does not fit is left out from the highest rank down; 0 stays.
    note : a remark, which goes below its row where there is no room beside it.
    """

    head: str
    cells: Sequence[str]
    whole: bool = False
    right: bool = False
    rank: int = 0
    note: bool = False

    @property
    def least(self) -> int:
        """The narrowest that it can be."""
        texts = [word for text in (self.head, *(() if self.whole else self.cells)) for word in text.split()]
        longest = max((min(cell_len(word), _LONGEST_WORD) for word in texts), default=1)
        return max([longest, *map(cell_len, self.cells)]) if self.whole else longest

    @property
    def most(self) -> int:
        """The widest that is of use."""
        return max(map(cell_len, (self.head, *self.cells)))


def print_columns(columns: Sequence[Column], console: Console) -> int:
    """Print a table; gives the number of columns for which there was no room."""
    shown, below = _that_fit(columns, console.width)
    widths = _widths(shown, console.width)
    for number, line in _lines(shown, below, widths, console.width):
        style = "bold" if number < 0 else ""
        console.print(Text(line, style=style), soft_wrap=True, highlight=False)
    return len(columns) - len(shown) - len(below)


def _that_fit(columns: Sequence[Column], width: int) -> tuple[list[Column], list[Column]]:
    """Columns side by side, and those that go below their row."""
    beside = [column for column in columns if not column.note]
    while _room(beside, width) < 0 and any(column.rank for column in beside):
        beside.remove(max(beside, key=lambda column: column.rank))
    notes = [column for column in columns if column.note and any(column.cells)]
    below = [note for note in notes if _room(beside, width) < len(GAP) + min(note.most, _LEAST_NOTE)]
    return [column for column in columns if column in beside or (column in notes and column not in below)], below


def _room(columns: Sequence[Column], width: int) -> int:
    return width - sum(column.least + len(GAP) for column in columns) + len(GAP)


def _widths(columns: Sequence[Column], width: int) -> list[int]:
    """What is left after the least is given to those that need the least more."""
    widths = [column.least for column in columns]
    spare = _room(columns, width)
    for place in sorted(range(len(columns)), key=lambda place: columns[place].most - widths[place]):
        more = max(0, min(columns[place].most - widths[place], spare))
        widths[place] += more
        spare -= more
    return widths


def _lines(
    columns: Sequence[Column], below: Sequence[Column], widths: Sequence[int], width: int
) -> Iterator[tuple[int, str]]:
    """Lines with the number of their row; that of the heads is negative."""
    rows = max((len(column.cells) for column in columns), default=0)
    for number in range(-1, rows):
        wrapped = [
            _wrapped(column.head if number < 0 else column.cells[number], room)
            for column, room in zip(columns, widths, strict=True)
        ]
        height = max(map(len, wrapped), default=1)
        for line in range(height):
            # Heads stand on the line above their first row.
            at = [line - (height - len(cell)) if number < 0 else line for cell in wrapped]
            texts = [cell[i] if 0 <= i < len(cell) else "" for cell, i in zip(wrapped, at, strict=True)]
            yield number, GAP.join(map(_padded, texts, columns, widths)).rstrip()
        for note in below if number >= 0 else ():
            for text in _wrapped(note.cells[number], width - 2 * len(GAP)) if note.cells[number] else ():
                yield number, 2 * GAP + text


def _padded(text: str, column: Column, room: int) -> str:
    blank = " " * (room - cell_len(text))
    return blank + text if column.right else text + blank


def _wrapped(text: str, room: int) -> list[str]:
    """Lines broken between words; a word that has no room is cut."""
    return [line.plain.rstrip() for line in Text(text).wrap(_MEASURE, max(room, 1))] or [""]


_MEASURE = Console(width=80)
