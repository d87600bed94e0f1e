"""Fits a table to a width: the columns that matter, words never cut, long remarks below their row."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

from pipeline.answers.number_words import with_minus
from pipeline.cli.console import UNFOLDED

GAP = "  "
_LEAST_NOTE = 30  # a remark in a narrower column is more lines tall than it is worth
_SHORT = 24  # names and words up to this length stay on one line
_TIGHT = 14  # where all is narrow, longer words may be cut
_NEEDED = 3  # columns of a rank up to this stay if breaking names makes room for them
_GLUE = "\ue000"  # stands for a space at which no line is broken
_BREAK = "\x1c"  # a space without width, at which a line may be broken


@dataclass(frozen=True)
class Column:
    """A column of text.

    Attributes
    ----------
    whole : its cells are never wrapped: ids, numbers, times.
    right : numbers, set to the right.
    rank : what does not fit is left out from the highest rank down; 0 stays.
    note : a remark, which goes below where there is no room beside: below its row, or below the table with a number
        if the same stands in several rows.
    tight : even short names may be broken between words.
    """

    head: str
    cells: Sequence[str]
    whole: bool = False
    right: bool = False
    rank: int = 0
    note: bool = False
    tight: bool = False

    @property
    def least(self) -> int:
        """The narrowest that it can be."""
        words = max((cell_len(word) for word in _words(self.head)), default=1)
        if self.whole:
            return max([words, *map(cell_len, self.cells)])
        longest = max((cell_len(word) for text in self.cells for word in _words(text)), default=1)
        return max(words, min(longest, _TIGHT) if self.tight else min(self.most, _SHORT))

    @property
    def most(self) -> int:
        """The widest that is of use."""
        return max(map(cell_len, (self.head, *self.cells)))


def print_columns(columns: Sequence[Column], console: Console) -> int:
    """Print a table; gives the number of columns for which there was no room. What has no width is not folded."""
    columns = [replace(column, cells=[with_minus(cell) for cell in column.cells]) for column in columns]
    if console.width >= UNFOLDED:
        console.width = max(console.width, sum(column.most + len(GAP) for column in columns))
    needed = [column for column in columns if column.rank <= _NEEDED and not column.note]
    if _room(needed, _beside_notes(columns, console.width)) < 0:
        columns = [replace(column, tight=True) for column in columns]
    shown, below = _that_fit(columns, console.width)
    repeated = [note for note in below if 2 * len(set(note.cells) - {""}) <= sum(map(bool, note.cells))]
    texts = list(dict.fromkeys(text for note in repeated for text in note.cells if text))
    for note in repeated:
        numbers = [str(texts.index(text) + 1) if text else "" for text in note.cells]
        shown.append(Column(note.head, numbers, whole=True))
    apart = [note for note in below if note not in repeated]
    for bold, line in _lines(shown, apart, _widths(shown, console.width), console.width):
        console.print(Text(line, style="bold" if bold else ""), soft_wrap=True, highlight=False)
    for number, text in enumerate(texts, start=1):
        for first, line in enumerate(_wrapped(text, console.width - 4)):
            console.print(Text(f"{'' if first else number:>2}  {line}"), soft_wrap=True, highlight=False)
    return len(columns) - len([column for column in columns if column in shown]) - len(below)


def fits(columns: Sequence[Column], width: int) -> bool:
    """Whether columns have room side by side."""
    return _room(columns, width) >= 0


def _that_fit(columns: Sequence[Column], width: int) -> tuple[list[Column], list[Column]]:
    """Columns side by side, and those that go below."""
    notes = [column for column in columns if column.note and any(column.cells)]
    beside = [column for column in columns if not column.note]
    room = _beside_notes(columns, width)
    while _room(beside, room) < 0 and any(column.rank for column in beside):
        beside.remove(max(beside, key=lambda column: column.rank))
    below = [note for note in notes if _room(beside, width) < len(GAP) + min(note.most, _LEAST_NOTE)]
    return [column for column in columns if column in beside or (column in notes and column not in below)], below


def _beside_notes(columns: Sequence[Column], width: int) -> int:
    """The width that is left for what is no note: where notes repeat, their numbers stand in a column."""
    return width - (len(GAP) + 6 if any(column.note and any(column.cells) for column in columns) else 0)


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
) -> Iterator[tuple[bool, str]]:
    """Lines, and whether they belong to the heads, which stand on the line above the first row."""
    heads = [_wrapped(column.head, room) for column, room in zip(columns, widths, strict=True)]
    height = max(map(len, heads), default=1)
    for line in _side_by_side([[""] * (height - len(head)) + head for head in heads], columns, widths):
        yield True, line
    for number in range(max((len(column.cells) for column in columns), default=0)):
        cells = [_wrapped(column.cells[number], room) for column, room in zip(columns, widths, strict=True)]
        for line in _side_by_side(cells, columns, widths):
            yield False, line
        for note in below:
            for text in _wrapped(note.cells[number], width - 2 * len(GAP)) if note.cells[number] else ():
                yield False, 2 * GAP + text


def _side_by_side(cells: Sequence[list[str]], columns: Sequence[Column], widths: Sequence[int]) -> Iterator[str]:
    for texts in zip_longest(*cells, fillvalue=""):
        yield GAP.join(map(_padded, texts, columns, widths)).rstrip()


def _padded(text: str, column: Column, room: int) -> str:
    blank = " " * (room - cell_len(text))
    return blank + text if column.right else text + blank


def _wrapped(text: str, room: int) -> list[str]:
    """Lines broken between words; a word that has no room is cut."""
    lines = Text(_glued(text)).wrap(_MEASURE, max(room, 1))
    return [line.plain.rstrip().replace(_GLUE, " ").replace(_BREAK, "") for line in lines] or [""]


def _words(text: str) -> list[str]:
    """What stands on one line unless it is cut."""
    return _glued(text).replace(_BREAK, " ").split(" ")


def _glued(text: str) -> str:
    """No line is broken before a sign of per cent; one may be after a slash."""
    return text.replace(" %", f"{_GLUE}%").replace("/", f"/{_BREAK}")


_MEASURE = Console(width=80)
