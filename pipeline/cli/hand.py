"""``glideline hand``."""

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from pipeline.cli.ids import completing, whole_id


def hand(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus.")],
    take: Annotated[
        str,
        typer.Argument(
            metavar="TAKE",
            help="The take, or a transfer of it; the beginning of its id serves.",
            autocompletion=completing("take", "transfer"),
        ),
    ],
    from_s: Annotated[float | None, typer.Option("--from", metavar="S", help="Begin here, corrected s.")] = None,
    to_s: Annotated[float | None, typer.Option("--to", metavar="S", help="End here, corrected s.")] = None,
    transfer: Annotated[
        str | None,
        typer.Option(
            metavar="ID",
            help="Which transfer, if not the one that stands for the take.",
            autocompletion=completing("transfer"),
        ),
    ] = None,
    printed: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="A written part to set beside it: MusicXML or CSV; else the catalogue's."),
    ] = None,
    edition: Annotated[
        str | None, typer.Option(metavar="NAME", help="Which edition of the catalogue; a part of its name serves.")
    ] = None,
    speed_rank: Annotated[
        int, typer.Option(min=1, metavar="N", help="Which reading, where the speed is ambiguous.")
    ] = 1,
    output: Annotated[Literal["table", "csv", "json"], typer.Option("--as", help="How to give the rows.")] = "table",
) -> None:
    """Show the notes of a passage with their likeliest strings and fingers, beside a printed fingering.

    Example: glideline hand glideline-demo quillfeather-1902 --from 20 --to 35
    """
    from pipeline.answers import passage

    take = whole_id(folder, take, "take", "transfer")
    transfer = whole_id(folder, transfer, "transfer") if transfer is not None else None
    frame = passage.hand(
        folder,
        take,
        from_s=from_s,
        to_s=to_s,
        transfer_id=transfer,
        printed=printed,
        edition=edition,
        speed_rank=speed_rank,
    )
    if output == "csv":
        typer.echo(frame.write_csv(), nl=False)
    elif output == "json":
        typer.echo(frame.write_json())
    elif frame.is_empty():
        typer.echo("No note was found there; leave --from and --to away to see where notes are.", err=True)
    else:
        from rich.table import Table

        from pipeline.cli.console import console

        table = Table(box=None, pad_edge=False, header_style="bold")
        heads = {
            "start_s": "s",
            "ways": "string and finger",
            "position": "pos.",
            "shift_probability": "shift [%]",
            "cannot_tell": "sure",
        }
        for name in frame.columns:
            table.add_column(heads.get(name, name), justify="right" if frame[name].dtype.is_numeric() else "left")
        for row in frame.iter_rows(named=True):
            table.add_row(*(_shown(name, value) for name, value in row.items()))
        console().print(table)
        sure = int((~frame["cannot_tell"]).sum())
        typer.echo(f"The hand is clear in {sure} of {frame.height} notes; probabilities are of the whole passage.")
        typer.echo("A2 is the second finger on the A string, A0 the open string; shift: how likely the hand moved.")
        _show_chords(
            passage.chords(folder, take, from_s=from_s, to_s=to_s, transfer_id=transfer, speed_rank=speed_rank)
        )


def _show_chords(lines: list[dict[str, Any]]) -> None:
    """Print the chords of a passage, what is heard of each and the ways to stop it."""
    from rich.table import Table

    from pipeline.cli.console import console

    if not lines:
        return
    table = Table(box=None, pad_edge=False, header_style="bold", title="Chords and double stops", title_justify="left")
    for head in ("s", "notes", "heard", "ways, lowest note first"):
        table.add_column(head, justify="right" if head == "s" else "left")
    for line in lines:
        table.add_row(f"{line['start_s']:.2f}", line["notes"], line["heard"], "\n".join(line["ways"]))
    console().print(table)


def _shown(name: str, value: object) -> str:
    if value is None:
        return ""
    if name == "cannot_tell":
        return "cannot tell" if value else "yes"
    if name == "verdict":
        return str(value).replace("_", " ")
    if isinstance(value, float):
        return {"start_s": f"{value:.2f}", "cents": f"{value:+.0f}"}.get(name, f"{100 * value:.0f}")
    return str(value)
