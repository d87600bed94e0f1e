"""What is wrong or noteworthy in what people keep by hand: one problem, one line, with its place and cure."""

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal


@dataclass(frozen=True, order=True, slots=True)
class Problem:
    """One finding.

    Attributes
    ----------
    file : path inside the corpus, with forward slashes.
    row : row as a spreadsheet counts it (headings are row 1); None if it is about the whole file.
    column, value : where and what was found; empty if neither applies.
    message, cure : what is wrong, and a way out.
    severity : an error makes ``check`` exit with 1; a remark does not.
    table, key : the table and the id of the row, for asking what a problem stops; empty if none.
    """

    file: str
    row: int | None
    column: str
    value: str
    message: str
    cure: str
    severity: Literal["error", "remark"] = "error"
    table: str = ""
    key: str = ""

    def __str__(self) -> str:
        place = shown(self.file) + (f", row {self.row}" if self.row is not None else "")
        what = f": {shown(self.column)}" if self.column else ""
        found = f" = {shown(self.value)}" if self.value else ""
        return shown(f"{place}{what}{found}: {self.message}; {self.cure}", longest=2_000)


def shown(value: object, *, longest: int = 80) -> str:
    """A value as a message quotes it: on one line, control and direction marks made visible, cut if long."""
    text = "".join(
        c if c.isprintable() else f"\\x{ord(c):02x}" if ord(c) < 256 else f"\\u{ord(c):04x}" for c in str(value)
    )
    return f"{text[:longest]}… ({len(text)} characters)" if len(text) > longest else text


def nearest(word: str, known: list[str]) -> str | None:
    """The known word that ``word`` was probably meant to be, ignoring case, spaces, hyphens and underscores."""
    names = {plain(name): name for name in reversed(known)}
    found = get_close_matches(plain(word), names, n=1, cutoff=0.7)
    return names[found[0]] if found else None


def did_you_mean(word: str, known: list[str], *, otherwise: str) -> str:
    """A cure that offers the nearest known word, or else ``otherwise``."""
    near = nearest(word, known)
    return f"did you mean {near}?" if near else otherwise


def listed(names: Sequence[str], *, most: int) -> str:
    """Names with commas between them; of a long list the first, and how many more there are."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def plain(word: str) -> str:
    """A word without capitals, spaces, hyphens and underscores."""
    return "".join(c for c in word.casefold() if c.isalnum())
