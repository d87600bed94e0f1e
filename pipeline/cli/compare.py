"""``glideline compare``."""

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

_LISTED = 20


def compare(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    earlier: Annotated[Path, typer.Argument(metavar="EARLIER", help="Folder that an export has written.")],
    show: Annotated[
        Literal["takes", "dates", "speeds", "slides"] | None,
        typer.Option(metavar="WHAT", help="Print every change of the takes, dates, speeds or slides, as csv."),
    ] = None,
) -> None:
    """Tell what has changed since an earlier export: takes, dates, speeds, slides gained, lost and moved.

    Example: glideline compare my-corpus earlier-export
    """
    from pipeline.answers.export.earlier import compare as compare_corpus
    from pipeline.cli.console import print_text

    found = compare_corpus(folder, earlier)
    if show is not None:
        sys.stdout.write(getattr(found, show).write_csv())
        return
    for line in found.lines():
        print_text(line)
    for frame in (found.takes, found.dates, found.speeds):
        for row in frame.head(_LISTED).iter_rows(named=True):
            name = row.get("take_id") or row["transfer_id"]
            change = row["change"] + (f" ({row['player_id']})" if row.get("player_id") else "")
            told = {
                key: (_told(row[f"{key}_before"], key), _told(row[key], key)) for key in row if f"{key}_before" in row
            }
            values = "; ".join(f"{key} {was} → {now}" for key, (was, now) in told.items() if was != now)
            print_text(f"  {name}, {change}: {values}")
        if frame.height > _LISTED:
            print(f"  and {frame.height - _LISTED} more; --show lists all")


def _told(value: object, key: str) -> str:
    if value is None:
        return "none"
    if key == "recorded":
        from pipeline.store.schema.date_words import date_words

        return date_words(str(value))
    return f"{value:.2f}" if isinstance(value, float) else str(value)
