"""``glideline report``."""

from pathlib import Path
from typing import Annotated

import typer


def report(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus.")],
    workers: Annotated[
        int | None, typer.Option(min=1, help="How many pages to draw at a time; if not given, one for each core.")
    ] = None,
) -> None:
    """Build pages with charts, pitch pictures and sound, to be opened from disk.

    Only pages whose content has changed are made again.

    Example: glideline report my-corpus
    """
    from pipeline.errors import DataError
    from pipeline.pages.report import report as build

    built = build(folder, workers=workers, told=lambda transfer_id: typer.echo(f"{transfer_id} drawn", err=True))
    typer.echo(f"{len(built.made)} side pages made, {len(built.kept)} unchanged.")
    typer.echo(f"Open {built.overview}")
    if built.failed:
        raise DataError("\n".join(f"no page for {transfer_id}: {reason}" for transfer_id, reason in built.failed))
