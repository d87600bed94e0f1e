"""``glideline hand``."""

from collections import Counter
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from pipeline.cli.ids import completing, whole_id


def hand(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    take: Annotated[
        str,
        typer.Argument(
            metavar="TAKE",
            help="The take, or a transfer of it; the beginning of its id serves.",
            autocompletion=completing("take", "transfer"),
        ),
    ],
    from_s: Annotated[
        float | None, typer.Option("--from", metavar="S", help="Begin here, in seconds of corrected time.")
    ] = None,
    to_s: Annotated[
        float | None, typer.Option("--to", metavar="S", help="End here, in seconds of corrected time.")
    ] = None,
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
    from pipeline.answers.passage import passage

    take = whole_id(folder, take, "take", "transfer")
    transfer = whole_id(folder, transfer, "transfer") if transfer is not None else None
    asked: dict[str, Any] = {"from_s": from_s, "to_s": to_s, "transfer_id": transfer, "speed_rank": speed_rank}
    asked |= {"printed": printed, "edition": edition}
    played = passage(folder, take, **asked)
    frame = played.notes()
    if output == "csv":
        typer.echo(frame.write_csv(), nl=False)
    elif output == "json":
        typer.echo(frame.write_json())
    elif frame.is_empty():
        typer.echo("No note was found there; leave --from and --to away to see where notes are.", err=True)
    else:
        from pipeline.answers.number_words import probability_words
        from pipeline.answers.stop_words import STOPS_EXPLAINED
        from pipeline.cli.console import console, print_text
        from pipeline.cli.fitting import print_columns
        from pipeline.counted import counted

        print_columns([_column(frame, name, *shown) for name, shown in _SHOWN.items() if name in frame], console())
        sure = int((~frame["cannot_tell"]).sum())
        print_text(f"The hand is clear in {sure} of {frame.height} notes; probabilities are of the whole passage.")
        print_text(f"{STOPS_EXPLAINED} Shift: how likely the hand moved.")
        for rank, share, notes in (others := played.other_readings()):
            print_text(
                f"Read as other notes ({probability_words(share)} of all readings weighed, whatever A4 was) "
                f"{counted(notes, 'note')} here {'has' if notes == 1 else 'have'} another string or finger: "
                f"--speed-rank {rank}."
            )
        if others:
            print_text("--speed-rank counts readings by their notes; `speed` lists them by speed and A4.")
        for reason, count in sorted(Counter(frame["not_counted"].drop_nulls()).items()):
            print_text(f"{counted(count, 'slide')} {'is' if count == 1 else 'are'} not counted: {reason}.")
        _show_chords(played.chords())


# Columns in order: head, and what is left out first where it is narrow (0: never).
_SHOWN: dict[str, tuple[str, int]] = {
    "start_s": ("time [m:ss]", 0),
    "transfer_start_s": ("in the transfer", 7),
    "place": ("place", 2),
    "note": ("note", 0),
    "cents": ("[cent]", 6),
    "ways": ("finger and string", 0),
    "position": ("position", 5),
    "slide": ("slide", 1),
    "shift_probability": ("shift [%]", 4),
    "reasons": ("what speaks for the first", 8),
    "printed": ("printed", 2),
    "verdict": ("verdict", 3),
}
_TEXTS = ("ways", "slide", "verdict", "reasons")


def _column(frame: Any, name: str, head: str, rank: int) -> Any:
    from pipeline.cli.fitting import Column

    cells = [_shown(name, value) for value in frame[name]]
    if name == "slide":
        cells = [f"{cell}, not counted" if why else cell for cell, why in zip(cells, frame["not_counted"], strict=True)]
    if name == "ways":
        cells = [
            f"cannot tell: {cell}" if told else cell for cell, told in zip(cells, frame["cannot_tell"], strict=True)
        ]
    return Column(head, cells, whole=name not in _TEXTS, right=frame[name].dtype.is_numeric(), rank=rank)


def _show_chords(lines: list[dict[str, Any]]) -> None:
    """Print the chords of a passage, what is heard of each and the ways to stop it."""
    from pipeline.answers.number_words import clock_words
    from pipeline.cli.console import console
    from pipeline.cli.fitting import Column, print_columns

    if not lines:
        return
    typer.echo("Chords and double stops")
    print_columns(
        [
            Column("time [m:ss]", [clock_words(line["start_s"]) for line in lines], whole=True, right=True),
            Column("notes", [line["notes"] for line in lines], whole=True),
            Column("heard", [line["heard"] for line in lines]),
            *([Column("printed", printed)] if any(printed := [line["printed"] for line in lines]) else []),
            Column("ways, lowest note first (by the chord alone)", [_ways(line) for line in lines], note=True),
        ],
        console(),
    )


def _ways(line: dict[str, Any]) -> str:
    ways = "; ".join(line["ways"])
    return f"{ways}. {line['why']}" if line["why"] else ways


def _shown(name: str, value: Any) -> str:
    from pipeline.answers.number_words import clock_words, signed

    if value is None:
        return ""
    if name.endswith("start_s"):
        return clock_words(value)
    if name == "cents":
        return signed(value)
    if name == "shift_probability":
        return f"{100 * value:.0f}"
    return str(value).replace("_", " ") if name == "verdict" else str(value)
