"""``glideline plan``."""

from pathlib import Path
from typing import Annotated

import typer


def plan(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="The corpus whose players tell how much players differ.")
    ],
    ratio: Annotated[
        list[float] | None, typer.Option(metavar="X", help="A ratio of two rates to be found; may be repeated.")
    ] = None,
    days: Annotated[float, typer.Option(min=1, metavar="N", help="Recording days of each player in each group.")] = 2,
    slides: Annotated[float, typer.Option(min=1, metavar="N", help="Slides of each player in each group.")] = 30,
) -> None:
    """Tell how many players, slides and minutes a comparison needs, at the spread of this corpus.

    Example: glideline plan glideline-demo --ratio 1.5
    """
    from pipeline.answers.planning import planned
    from pipeline.cli.console import print_text

    for line in planned(folder, ratios=ratio or [1.25, 1.5, 2.0, 3.0], days=days, slides=slides):
        print_text(line)
