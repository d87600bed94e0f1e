"""``glideline report``."""

from pathlib import Path
from typing import Annotated

import typer


def report(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    workers: Annotated[
        int | None, typer.Option(min=1, help="How many pages to draw at a time; if not given, one for each core.")
    ] = None,
) -> None:
    """Build pages with charts, pitch pictures and sound, to be opened from disk.

    Only pages whose content has changed are made again.

    Example: glideline report my-corpus
    """
    from pipeline.cli.console import tell_of_edits
    from pipeline.errors import DataError
    from pipeline.flows.progress import Display, Tally
    from pipeline.pages.report import report as build

    display, tally = Display(), Tally("drawing pages of sides", 0)

    def told(ended: int, total: int) -> None:
        tally.total, tally.ended = total, ended
        if total and not ended:
            display.start(tally)
        display.update(tally)
        if ended == total:
            display.stop(tally if total else None)
            display.doing("drawing passages and the overview")

    built = build(folder, workers=workers, told=told)
    typer.echo(f"{len(built.made)} side pages made, {len(built.kept)} unchanged.")
    typer.echo(f"Open {built.overview}")
    tell_of_edits(folder)
    if built.failed:
        raise DataError("\n".join(f"no page for {transfer_id}: {reason}" for transfer_id, reason in built.failed))
