"""``new``: an empty corpus."""

import sys
from pathlib import Path
from typing import Annotated

import typer


def new(folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")]) -> None:
    """Make an empty corpus: headed CSV files, commented settings, and a page on how to fill them.

    Example: glideline new my-corpus
    """
    from pipeline.store.new import PAGE
    from pipeline.store.new import new as make_new

    written = make_new(folder)
    print(f"{folder}: {len(written)} files written; {PAGE} says how to fill them.", file=sys.stderr)
    print(f"Next: glideline add {folder} AUDIO… --sheet SHEET", file=sys.stderr)
