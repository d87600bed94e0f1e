"""Where tables are printed, and how wide."""

import os
import sys
from typing import TextIO

from rich.console import Console

# A pipe or a file has no width of its own: nothing is folded there.
UNFOLDED = 400
NARROWEST = 20


def console(file: TextIO | None = None) -> Console:
    """A console on a stream, stdout if none is named: as wide as ``COLUMNS`` says, else the terminal, else unfolded."""
    file = file or sys.stdout
    asked = os.environ.get("COLUMNS", "")
    if asked.isascii() and asked.isdigit():
        return Console(file=file, width=min(max(int(asked[:6]), NARROWEST), UNFOLDED))
    return Console(file=file) if file.isatty() else Console(file=file, width=UNFOLDED)
