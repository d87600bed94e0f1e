"""Where tables are printed, and how wide."""

import os
import re
import sys
import textwrap
from contextlib import suppress
from pathlib import Path
from typing import TextIO

from rich.console import Console

from pipeline.errors import typed

# A pipe or a file has no width of its own: nothing is folded there.
UNFOLDED = 400
NARROWEST = 20


def print_text(text: str, *, file: TextIO | None = None) -> None:
    """Print lines of text, broken between words where one is too long for the terminal; what has no width is not.

    What is broken off stands two spaces in, or under the second column of a line that has two.
    """
    file = file or sys.stdout
    width = console(file).width
    for line in text.split("\n"):
        print(line if width >= UNFOLDED else _folded(line, width), file=file)


def tell_of_edits(folder: Path) -> None:
    """Say on stderr, and on the pages of the report, that results are older than the catalogue, where they are."""
    from pipeline.store.database.edited import edited_since, edited_words

    if edited := edited_since(folder):
        from pipeline.store.database.edited_rows import with_rows
        from pipeline.store.database.report_notice import notice_of, tell_pages

        edited = with_rows(folder, edited)
        print_text(f"{edited_words(edited)}: glideline run {typed(folder)}", file=sys.stderr)
        with suppress(OSError):  # where it may only be read, the terminal must do
            tell_pages(folder, notice_of(edited))


def _folded(line: str, width: int) -> str:
    columns = re.match(r" *\S+ {2,}(?=\S)", line)
    hanging = len(columns[0]) if columns else len(line) - len(line.lstrip()) + 2
    inside = " " * min(hanging, width // 2)
    return "\n".join(
        textwrap.wrap(
            line, width, subsequent_indent=inside, break_long_words=False, break_on_hyphens=False, drop_whitespace=True
        )
    )


def console(file: TextIO | None = None) -> Console:
    """A console on a stream, stdout if none is named: as wide as ``COLUMNS`` says, else the terminal, else unfolded."""
    file = file or sys.stdout
    asked = os.environ.get("COLUMNS", "")
    if asked.isascii() and asked.isdigit():
        return Console(file=file, width=min(max(int(asked[:6]), NARROWEST), UNFOLDED))
    return Console(file=file) if file.isatty() else Console(file=file, width=UNFOLDED)
