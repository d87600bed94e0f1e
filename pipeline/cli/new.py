"""``new``: an empty corpus, or one begun from a colleague's export."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import typed


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")],
    source: Annotated[
        Path | None,
        typer.Option(
            "--from", metavar="PACKAGE", help="Begin with the catalogue and verdicts of an export or its zip."
        ),
    ] = None,
) -> None:
    """Make an empty corpus: headed CSV files, commented settings, and a page on how to fill them.

    Example: glideline new my-corpus
    """
    from pipeline.store.adding.new import PAGE
    from pipeline.store.adding.new import new as make_new

    if source is not None:
        from pipeline.cli.console import print_text
        from pipeline.store.adding.merge import new_from

        new_from(folder, source, say=lambda remark: print_text(remark, file=sys.stderr))
        print(f"{folder}: begun from {source}; put the audio below {folder}/audio.", file=sys.stderr)
        print(f"Next: glideline check {typed(folder)}", file=sys.stderr)
        return
    written = make_new(folder)
    print(f"{folder}: {len(written)} files written; {PAGE} says how to fill them.", file=sys.stderr)
    print(f"Next: glideline add {typed(folder)} AUDIO… --sheet SHEET", file=sys.stderr)
