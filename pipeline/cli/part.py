"""``glideline part``."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from pipeline.cli.ids import completing, whole_id

_NEXT = "They are in catalogue/written_note.csv, where you can mend them; `glideline run` compares them."


def part(
    do: Annotated[
        Literal["add", "show", "grow"],
        typer.Argument(
            metavar="WHAT",
            help="add: read a file in. show: list its notes. grow: make one from takes, without a score.",
        ),
    ],
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    work: Annotated[
        str,
        typer.Argument(
            metavar="WORK", help="The work; the beginning of its id serves.", autocompletion=completing("work")
        ),
    ],
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="FILE", help="For add: MusicXML, .mxl, MIDI, CSV; MEI, Humdrum and ABC with glideline[scores]."
        ),
    ] = None,
    edition: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Editor, publisher and year; for show a part of the name serves."),
    ] = None,
    of_score: Annotated[
        str | None,
        typer.Option(
            "--part", metavar="NAME", help="Which part of a score, by name or number; else the one with fingerings."
        ),
    ] = None,
    editor: Annotated[
        str | None,
        typer.Option(
            metavar="ID",
            help="Whose fingering it prints, if a player of the corpus.",
            autocompletion=completing("player"),
        ),
    ] = None,
    rights: Annotated[str | None, typer.Option(metavar="TEXT", help="Who may use the edition, and how.")] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Read an edition again; corrections made in it by hand are lost.")
    ] = False,
    output: Annotated[Literal["table", "csv", "json"], typer.Option("--as", help="How to give the notes.")] = "table",
) -> None:
    """Keep the written part of a work, bar by bar, so that its takes can be compared at the same places.

    Example: glideline part add my-corpus air-in-d air.musicxml --edition "A. Editor, 1898"
    """
    from pipeline.answers import written_parts
    from pipeline.errors import UsageError

    work = whole_id(folder, work, "work")
    if do == "add":
        if file is None or not edition:
            raise UsageError("part add needs a FILE, and --edition: who edited and published it, and when")
        editor = whole_id(folder, editor, "player") if editor else None
        read = written_parts.add(
            folder, work, file, edition=edition, part=of_score, editor_id=editor, rights=rights, replace=replace
        )
        bars = len({note.bar_index for note in read.notes if note.bar_index is not None})
        said = f" in {bars} bars" if bars else ", no bars named"
        ways = ", ".join(sorted({way.way.replace("_", " ") for way in read.ways}))
        typer.echo(f"{len(read.notes)} notes{said}" + (f"; {ways}" if ways else ""))
        typer.echo(_NEXT)
        return
    if do == "grow":
        read = written_parts.grow(folder, work, edition=edition, replace=replace)
        typer.echo(f"{len(read.notes)} notes, numbered, since no score says where bars begin")
        typer.echo(_NEXT)
        return
    frame = written_parts.notes(folder, work, edition=edition)
    if output == "csv":
        typer.echo(frame.write_csv(), nl=False)
    elif output == "json":
        typer.echo(frame.write_json())
    else:
        import polars as pl
        from rich.table import Table

        from pipeline.cli.console import console

        typer.echo(f"{work}: {frame['edition'][0]}")
        shown: tuple[str, ...] = ("bar", "beat", "name", "beats", "string", "finger", "position", "printed", "then")
        marks = [_marks(row) for row in frame.select("grace", "slide_marked", "slurred_to_next").iter_rows()]
        frame = frame.with_columns(pl.Series("printed", marks, dtype=pl.String()))
        shown = tuple(name for name in shown if frame[name].is_not_null().any())
        table = Table(box=None, pad_edge=False, header_style="bold")
        for name in shown:
            table.add_column({"name": "note"}.get(name, name), justify="right" if name in ("bar", "beat") else "left")
        for row in frame.select(shown).iter_rows():
            table.add_row(*("" if v is None else f"{v:g}" if isinstance(v, float) else str(v) for v in row))
        console().print(table)


def _marks(row: tuple[bool | None, ...]) -> str | None:
    words = ("grace note", "slide", "slurred")
    return ", ".join(word for word, marked in zip(words, row, strict=True) if marked) or None
