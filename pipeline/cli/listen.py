"""``glideline listen``."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import typed


def listen(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    n: Annotated[int, typer.Option("--n", min=1, metavar="N", help="How many excerpts to draw.")] = 200,
    by: Annotated[
        str,
        typer.Option(
            metavar="WHAT",
            help="Draw evenly over: process, noise, accompaniment, instrument, player, kind, confidence, take; joined "
            "by commas.",
        ),
    ] = "process,noise,confidence",
    plan: Annotated[bool, typer.Option("--plan", help="Draw nothing: tell how many excerpts must be judged.")] = False,
    within: Annotated[
        float,
        typer.Option(
            min=1, max=99, metavar="PERCENT", help="How closely to know how many slides there are for each find."
        ),
    ] = 10,
    seed: Annotated[int, typer.Option(min=0, metavar="N", help="The same seed draws the same sample.")] = 1,
    place: Annotated[
        str | None,
        typer.Option(
            "--place", metavar="WORK:BAR:BEAT", help="Instead: one written place in every take, such as air-in-d:21:3."
        ),
    ] = None,
    take_in: Annotated[
        Path | None,
        typer.Option("--take-in", metavar="FILE", help="Check saved verdicts and add them to reviews/."),
    ] = None,
    results: Annotated[bool, typer.Option("--results", help="Error rates from all verdicts so far.")] = False,
    marks: Annotated[
        str | None,
        typer.Option(
            "--marks", metavar="LISTENER", help="Compare that listener's own marks with ours; all: everybody's."
        ),
    ] = None,
) -> None:
    """Draw a random sample, with and without slides found, to judge by ear; take verdicts in; give error rates.

    In this order: --plan tells how many are enough; without options a page is made, on which you judge and save;
    --take-in takes the saved file in; after the next run, --results tells what came of it.

    Own marks, made without such a page, are kept in reviews/<listener>.marks.csv and compared where solo was counted.

    Example: glideline listen my-corpus --n 100 --by player
    """
    from pipeline.cli.console import print_text

    if take_in is not None:
        from pipeline.counted import counted
        from pipeline.store.adding.reviews import take_in as take
        from pipeline.store.corpus import Corpus

        done = take(Corpus(folder), take_in)
        for name, listener in done.ids.items():
            print_text(f"{name} is kept as {listener}.")
        for listener, number in done.added.items():
            print_text(f"{counted(number, 'verdict')} of {listener} added to reviews/{listener}.csv")
        print_text(f"{done.known} were there already." if done.known else "None was there before.")
        if done.undrawn:
            more = f" and {len(done.undrawn) - 5} more" if len(done.undrawn) > 5 else ""
            print_text(
                f"Never drawn in this corpus: {', '.join(done.undrawn[:5])}{more}. Such verdicts correct single slides "
                "and enter no error rate; were they made for another corpus?",
                file=sys.stderr,
            )
        for name, other in done.nearly.items():
            print_text(
                f"{name} is a new listener, beside {other}. If they are one person, delete reviews/{name}.csv, write "
                f"{other} in {take_in.name}, and take it in again.",
                file=sys.stderr,
            )
        print_text(f"Next: glideline run {typed(folder)}", file=sys.stderr)
        return
    if results:
        from pipeline.cli.listening import show_results

        show_results(folder)
        return
    if marks is not None:
        from pipeline.cli.listening import show_marks

        show_marks(folder, None if marks == "all" else marks)
        return
    strata = [name.strip() for name in by.split(",") if name.strip()]
    if plan:
        from pipeline.cli.listening import show_plan

        show_plan(folder, by=strata, within=within / 100)
        return
    from pipeline.counted import counted
    from pipeline.pages.listen import listen as draw

    sample = draw(folder, number=n, by=strata, within=within / 100, seed=seed, place=place)
    numbers = sample.numbers
    print_text(
        f"{counted(sum(numbers.values()), 'excerpt')} drawn: of slides found {numbers['slide']}, of changes of note "
        f"without one {numbers['transition']}, of solo without one {numbers['stretch']}."
    )
    print_text(f"Open {sample.page}")
    print_text(f"Next: judge and save there, then glideline listen {typed(folder)} --take-in FILE", file=sys.stderr)
