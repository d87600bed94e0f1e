"""``glideline trace``."""

import json
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.ids import completing, whole_id


def trace(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    thing_id: Annotated[
        str | None,
        typer.Argument(
            metavar="ID",
            help="A slide id, as query prints it; or of a note, transfer, take, side, session…",
            autocompletion=completing("transfer", "take", "side", "session", "player"),
        ),
    ] = None,
    prov: Annotated[
        bool, typer.Option("--prov", help="As a W3C PROV document (PROV-JSON); without ID for the whole corpus.")
    ] = False,
    everything: Annotated[bool, typer.Option("--all", help="Every value, setting and hash as well.")] = False,
) -> None:
    """Print where a number comes from, back to the audio's hash, settings, versions and matrix number.

    Example: glideline trace glideline-demo owl-1007-a-t1
    """
    from pipeline.answers.open_corpus import judged_slide
    from pipeline.answers.trace_text import heard_words, lines
    from pipeline.cli.console import print_text
    from pipeline.errors import UsageError
    from pipeline.store.database.trace import trace as find_trace
    from pipeline.store.formats.prov import prov as make_prov

    if thing_id is not None:
        thing_id = whole_id(folder, thing_id, "transfer", "take", "side", "session", "player")
    if prov:
        print(json.dumps(make_prov(folder, thing_id), ensure_ascii=False, indent=1))
        return
    if thing_id is None:
        raise UsageError("give the id of a slide, note, transition, transfer or take", "or --prov for the corpus")
    found = find_trace(folder, thing_id)
    heard = heard_words(judged_slide(folder, thing_id)) if found.kind == "slide" else ""
    for line in lines(found, heard=heard, everything=everything):
        print_text(line)
