"""``glideline export``."""

import sys
from pathlib import Path
from typing import Annotated

import typer


def export(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    formats: Annotated[
        str,
        typer.Option(
            "--as", metavar="FORMATS", help="csv, parquet, arrow, stata, spss, jams, musicxml; joined by commas."
        ),
    ] = "csv,parquet",
    into: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Where the dated folder goes; default derived/export.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a folder of the same day and content.")] = False,
    with_sound: Annotated[
        bool, typer.Option("--with-sound", help="Copy the audio of transfers marked public, too.")
    ] = False,
) -> None:
    """Write tables for statistics tools with codebook, data package and methods paragraph.

    Only what may be shared goes in; the folder says what was withheld. Nothing is written while the catalogue is
    edited since the last run.

    Example: glideline export my-corpus --as csv,stata,spss
    """
    from pipeline.answers.export.folder import export as write
    from pipeline.cli.console import print_text, tell_of_edits

    names = [name.strip() for name in formats.split(",") if name.strip()]
    done = write(folder, to=names, into=into, replace=replace, with_sound=with_sound)
    print_text(f"{done.folder}")
    print_text(f"{len(done.tables)} tables, {sum(done.tables.values())} rows; content sha256:{done.content_sha256}")
    if done.was_there:
        print_text("the same content was exported today already; that folder is made anew", file=sys.stderr)
    for take_id, reason in done.withheld.items():
        print_text(f"withheld: take {take_id}: {reason}", file=sys.stderr)
    tell_of_edits(folder)
