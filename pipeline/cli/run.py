"""``glideline run``: its options; what it does is in ``flows.run``."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from pipeline.flows.stages import Summary


def run(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    workers: Annotated[
        int | None, typer.Option(help="How many sides to work on at a time; if not given, one for each core.")
    ] = None,
    engine: Annotated[
        str, typer.Option(metavar="WHERE", help="On this machine (local), or on a cluster (dask, ray).")
    ] = "local",
    address: Annotated[
        str | None, typer.Option(metavar="URL", help="Address of a Dask or Ray cluster that is already up.")
    ] = None,
    transfer: Annotated[
        list[str] | None, typer.Option(metavar="ID", help="Only this transfer; may be repeated.")
    ] = None,
    until: Annotated[str | None, typer.Option(metavar="STEP", help="Stop after this step.")] = None,
    explain: Annotated[bool, typer.Option("--explain", help="Say why each step would run; run nothing.")] = False,
    again: Annotated[bool, typer.Option("--again", help="Run even what is up to date.")] = False,
    rehash: Annotated[
        bool, typer.Option("--rehash", help="Read all files again, and see whether any has changed unnoticed.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress and no summary.")] = False,
) -> None:
    """Measure all transfers that need it, then build the database.

    Example: glideline run my-corpus --workers 4
    """
    from pipeline.cli.console import print_text
    from pipeline.errors import typed
    from pipeline.flows.run import run as run_corpus
    from pipeline.flows.summary_lines import summary_lines
    from pipeline.store.database.edited import edited_since

    try:
        summary = run_corpus(
            folder,
            workers=workers,
            engine=engine,  # type: ignore[arg-type]
            address=address,
            transfers=transfer or (),
            until=until,
            explain_only=explain,
            again=again,
            rehash=rehash,
            quiet=quiet,
        )
    except KeyboardInterrupt:
        typer.echo(f"\nStopped. What is finished is kept; go on with: glideline run {typed(folder)}", err=True)
        raise typer.Exit(130) from None
    if explain:
        if edited := edited_since(folder):
            print_text(f"Edited since the last run: {', '.join(edited)}.")
        for line in summary.explained or ["Nothing to do: everything is up to date."]:
            print_text(line)
        return
    if not quiet:
        for line in summary_lines(summary):
            print_text(line)
        if until is None:
            print(f"Next: {_next(summary, typed(folder))}", file=sys.stderr)
    if summary.failed or summary.condemned:
        if quiet:
            print(f"Not everything could be measured: {_next(summary, typed(folder))}", file=sys.stderr)
        raise typer.Exit(1)


def _next(summary: "Summary", folder: str) -> str:
    """What to type next: what is to be mended first, else what answers."""
    if summary.transfers == 0:
        return f"glideline add {folder} AUDIO…"
    if summary.failed:
        return f"glideline status {folder}"
    if summary.condemned:
        return f"glideline check {folder}"
    return f"glideline query {folder} slides_by_player, glideline report {folder}"
