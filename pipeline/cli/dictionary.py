"""``dictionary``: what every table and column means."""

from typing import Annotated, Literal

import typer


def dictionary(
    table: Annotated[
        str | None, typer.Argument(metavar="[TABLE]", help="One table or view; all if none is named.")
    ] = None,
    output: Annotated[
        Literal["text", "csv", "json", "markdown"], typer.Option("--as", help="How to print it.")
    ] = "text",
) -> None:
    """Print every table and column with its meaning, unit, range and allowed values.

    Example: glideline dictionary slide
    """
    from pipeline.answers.number_words import with_minus
    from pipeline.cli.console import print_text
    from pipeline.store.formats.dictionary import chosen, dictionary_text

    text = dictionary_text(chosen(table), form=output)
    if output == "text":
        print_text(with_minus(text))
    else:
        print(text)
