"""``glideline demo``."""

from pathlib import Path
from typing import Annotated

import typer


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="A new or empty folder for the demo corpus.")] = Path(
        "glideline-demo"
    ),
    workers: Annotated[
        int | None, typer.Option(min=1, help="How many sides to work on at a time; if not given, one for each core.")
    ] = None,
) -> None:
    """Make an invented corpus with its audio, run everything, and set what is found against what was planted.

    Example: glideline demo my-demo
    """
    from pipeline.demonstration.run import demo as run_demo

    run_demo(folder, workers=workers)
