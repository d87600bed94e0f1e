"""``glideline trace``."""

import json
from pathlib import Path
from typing import Annotated

import typer


def trace(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus.")],
    thing_id: Annotated[
        str | None,
        typer.Argument(metavar="ID", help="A slide, note, transition, transfer, take, side, session or player."),
    ] = None,
    prov: Annotated[
        bool, typer.Option("--prov", help="As a W3C PROV document (PROV-JSON); without ID for the whole corpus.")
    ] = False,
) -> None:
    """Print where a number comes from, back to the audio's hash, settings, versions and matrix number.

    Example: glideline trace my-corpus demo-07-a-s12345
    """
    from pipeline.errors import UsageError
    from pipeline.store.prov import prov as make_prov
    from pipeline.store.tracing import lines
    from pipeline.store.tracing import trace as find_trace

    if prov:
        print(json.dumps(make_prov(folder, thing_id), ensure_ascii=False, indent=1))
        return
    if thing_id is None:
        raise UsageError("give the id of a slide, note, transition, transfer or take; or --prov for the corpus")
    for line in lines(find_trace(folder, thing_id)):
        print(line)
