"""``glideline query``."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from pipeline.cli.ids import completing, whole_id
from pipeline.errors import UsageError


def query(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    view: Annotated[
        str | None, typer.Argument(metavar="[VIEW]", help="A view or table; all are listed if none is named.")
    ] = None,
    sql: Annotated[
        str | None, typer.Option(metavar="TEXT", help="One SQL statement instead of a view; it can only read.")
    ] = None,
    player: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ID", help="Count only takes of this player; may be repeated.", autocompletion=completing("player")
        ),
    ] = None,
    school: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ID", help="Count only takes of this school; may be repeated.", autocompletion=completing("school")
        ),
    ] = None,
    period: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ID", help="Count only takes of this period; may be repeated.", autocompletion=completing("period")
        ),
    ] = None,
    scheme: Annotated[str | None, typer.Option(metavar="NAME", help="Only this scheme of schools or periods.")] = None,
    min_certainty: Annotated[
        str | None,
        typer.Option(
            metavar="HOW", help="Count only attributions and teaching at least so sure: possible, probable or certain."
        ),
    ] = None,
    where: Annotated[
        str | None, typer.Option(metavar="CONDITION", help="Show only rows that meet this, once all is counted.")
    ] = None,
    common_teacher: Annotated[
        tuple[str, str] | None,
        typer.Option(metavar="PLAYER PLAYER", help="Instead of a view: nearest common teachers of two players."),
    ] = None,
    paths: Annotated[
        str | None, typer.Option(metavar="PLAYER", help="Instead of a view: every path up from a player.")
    ] = None,
    transfer: Annotated[
        list[str] | None,
        typer.Option(metavar="ID", help="Of pitch_frame or speed_curve: only this transfer; may be repeated."),
    ] = None,
    output: Annotated[
        Literal["table", "csv", "json", "parquet"], typer.Option("--as", help="How to give the rows.")
    ] = "table",
    to: Annotated[Path | None, typer.Option(metavar="FILE", help="Write to this file; needed for parquet.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace the file of --to if there is one.")] = False,
    vary: Annotated[
        bool,
        typer.Option(
            "--vary", help="Show how the answer moves with thresholds, doubtful dates and people, noise and speed."
        ),
    ] = False,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="With --vary: draw it into this SVG file too.")
    ] = None,
    say: Annotated[bool, typer.Option("--say", help="Say the answer in sentences, each with its caution.")] = False,
    columns: Annotated[
        str | None, typer.Option(metavar="NAMES", help="Of the table, show these columns; names joined by commas.")
    ] = None,
    wide: Annotated[bool, typer.Option("--wide", help="Show every column in the table, however wide.")] = False,
) -> None:
    """Show a view of the corpus, counted over all takes or over those you choose.

    Example: glideline query glideline-demo slides_by_player --period horn-early --as csv
    """
    from pipeline.answers.selection import Selection
    from pipeline.cli.answers import ROWS_SHOWN, answer, give, tell
    from pipeline.cli.console import tell_of_edits

    players, schools, periods = (
        [whole_id(folder, one, table) for one in given or ()]
        for table, given in (("player", player), ("school", school), ("period", period))
    )
    selection = Selection(players, schools, periods, scheme, min_certainty)
    if vary:
        from pipeline.cli.vary import vary as show_varied

        show_varied(folder, view, selection, where=where, form=output, to=to, picture=picture, replace=replace)
        tell_of_edits(folder)
        return
    if picture is not None:
        raise UsageError("--picture goes with --vary")
    made = answer(
        folder, view, sql=sql, selection=selection, where=where, common_teacher=common_teacher, paths=paths,
        transfers=transfer or (), most=ROWS_SHOWN + 1 if output == "table" and not say else None,
    )  # fmt: skip
    if say:
        tell(made)
    else:
        chosen = [name.strip() for name in (columns or "").split(",") if name.strip()]
        give(made, form=output, to=to, columns=chosen, wide=wide, replace=replace)
    tell_of_edits(folder)
