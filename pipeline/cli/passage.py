"""``glideline passage``."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from pipeline.cli.ids import completing, whole_id

if TYPE_CHECKING:
    from pipeline.answers.passages.gather import Passage


def passage(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The corpus folder.")],
    work: Annotated[
        str | None,
        typer.Argument(
            metavar="[WORK]",
            help="The work; the beginning of its id serves. Without it the works that have a written part.",
            autocompletion=completing("work"),
        ),
    ] = None,
    bars: Annotated[
        str | None,
        typer.Option(
            metavar="BARS", help="Which bars: 21, 21-24, 12a; 21:3 is beat 3. Else the places that stand out."
        ),
    ] = None,
    by: Annotated[
        Literal["school", "period"] | None, typer.Option(help="Also count by school or period, at places all play.")
    ] = None,
    edition: Annotated[
        str | None, typer.Option(metavar="NAME", help="Whose fingers to print; a part of the name serves. Else all.")
    ] = None,
    take: Annotated[
        list[str] | None,
        typer.Option(metavar="ID", help="Only this take; may be repeated.", autocompletion=completing("take")),
    ] = None,
    player: Annotated[
        list[str] | None,
        typer.Option(metavar="ID", help="Only this player; may be repeated.", autocompletion=completing("player")),
    ] = None,
    output: Annotated[
        Literal["table", "csv", "json"], typer.Option("--as", help="How to give the rows, one for each place and take.")
    ] = "table",
    open_page: Annotated[
        bool, typer.Option("--open", help="Build the page of these bars, with sound, and open it.")
    ] = False,
) -> None:
    """Show what each take does at the same written bars, beside the printed editions, and which of these it follows.

    Example: glideline passage glideline-demo romance-in-f --bars 5-8 --by school
    """
    from pipeline.answers.open_corpus import OpenCorpus

    if work is None:
        _list_works(folder, output, asked={"--bars": bars, "--by": by, "--edition": edition, "--open": open_page})
        return
    from pipeline.answers.passages.gather import gather

    work = whole_id(folder, work, "work")
    with OpenCorpus(folder) as corpus:
        found = gather(
            corpus,
            work,
            bars=bars,
            edition=edition,
            takes=[whole_id(folder, each, "take") for each in take or ()],
            players=[whole_id(folder, each, "player") for each in player or ()],
        )
    if open_page:
        from pipeline.pages.passage import write_page

        page = write_page(folder, found)
        typer.echo(str(page))
        typer.launch(str(page))
        return
    if output != "table":
        import polars as pl

        rows = pl.DataFrame([_row(found, t.label, step) for t in found.takes for _, step in sorted(t.steps.items())])
        typer.echo(rows.write_csv() if output == "csv" else rows.write_json(), nl=output == "json")
    elif bars is None:
        _print_ranked(found, by)
    else:
        _print_table(found, by)


def _list_works(folder: Path, output: str, *, asked: Mapping[str, object]) -> None:
    import polars as pl

    from pipeline.answers.open_corpus import OpenCorpus
    from pipeline.answers.passages.works import works
    from pipeline.cli.console import console, print_text
    from pipeline.cli.fitting import Column, print_columns
    from pipeline.errors import UsageError, typed

    if given := [name for name, value in asked.items() if value]:
        raise UsageError(f"{given[0]} needs a WORK", f"`glideline passage {typed(folder)}` lists them")
    with OpenCorpus(folder) as corpus:
        found = works(corpus)
    if output != "table":
        rows = pl.DataFrame(found)
        typer.echo(rows.write_csv() if output == "csv" else rows.write_json(), nl=output == "json")
        return
    columns = [
        Column("work", [row["work_id"] for row in found], whole=True),
        Column("title", [row["title"] or "" for row in found], rank=2),
        Column("takes", [str(row["takes"]) for row in found], whole=True, right=True),
        Column("on the part", [str(row["takes_placed"]) for row in found], whole=True, right=True),
        Column("players", [str(row["players"]) for row in found], whole=True, right=True, rank=1),
        Column("editions", [row["editions"] for row in found], rank=3),
    ]
    print_columns(columns, console())
    print_text(f"Give one of them: glideline passage {typed(folder)} {found[0]['work_id']}")


def _row(found: "Passage", label: str, step: dict[str, Any]) -> dict[str, Any]:
    place = found.places[step["to_event"]]
    named = {name: place[name] for name in ("bar", "beat", "from_name", "to_name")}
    return named | {"label": label} | {name: value for name, value in step.items() if name not in named}


def _head(found: "Passage", what: str) -> str:
    from pipeline.answers.counts import counts

    whose = counts((take.take_id, take.player_id) for take in found.takes).words()
    return f"{found.work['title']}, {what} (reference: {found.reference}): {whose}"


def _print_table(found: "Passage", by: str | None) -> None:
    from pipeline.answers.passages import words
    from pipeline.cli.console import console, print_text

    print_text(_head(found, found.stretch.name))
    typer.echo()
    for line in words.table(found, width=console().width, by=by):
        typer.echo(line)
    typer.echo()
    for line in words.LEGEND.splitlines():
        print_text(f"  {line.strip()}")
    for sentence in (*words.sentences(found), *(words.by_group(found, by) if by else ())):
        print_text(sentence)
    _print_editions(found)


_RANKS = {"fingers": 5, "elsewhere": 6, "at shifts": 7}
"""Columns of editions that are left out first where it is narrow."""


def _print_editions(found: "Passage") -> None:
    from pipeline.answers.passages import chords, editions
    from pipeline.cli.console import console, print_text
    from pipeline.cli.fitting import Column, print_columns

    for sentence in editions.of_teachers(found):
        print_text(sentence)
    told = editions.lines(found)
    if told:
        typer.echo("\nWhich edition?")
        columns = [
            Column(head, [line[k] for line in told], whole=head != "edition", rank=_RANKS.get(head, 0))
            for k, head in enumerate(editions.HEADS)
        ]
        print_columns(columns, console())
        print_text(editions.caution(found))
    for sentence in editions.refused(found):
        print_text(sentence)
    if stopped := chords.lines(found.chords):
        typer.echo("\nChords, strings and fingers from the lowest note")
        print_columns(
            [
                Column(head, [line[k] for line in stopped], whole=head != "edition")
                for k, head in enumerate(chords.HEADS)
            ],
            console(),
        )


def _print_groups(found: "Passage", by: str) -> None:
    from pipeline.answers.passages import words
    from pipeline.cli.console import console
    from pipeline.cli.fitting import Column, print_columns

    if rows := words.group_rows(found, by):
        typer.echo()
        names, *cells = zip(*rows, strict=True)
        columns = [Column(head, each, right=True) for head, each in zip(words.GROUP_HEADS, cells, strict=True)]
        print_columns([Column(by, names), *columns], console())


def _print_ranked(found: "Passage", by: str | None) -> None:
    from pipeline.answers.passages import words
    from pipeline.cli.console import print_text

    print_text(_head(found, "where its takes slide"))
    most, differ = words.ranked_places(found)
    for title, places in (("Most slid", most), ("Where players differ most", differ)):
        typer.echo(f"\n{title}")
        for place in places:
            print_text(f"  {words.place_words(place):<34} {words.place_counts(found, place)}")
        if not places:
            typer.echo("  no place that two players or more come by")
    if by:
        _print_groups(found, by)
    typer.echo()
    for sentence in (*words.sentences(found), *(words.by_group(found, by) if by else ())):
        if not sentence.startswith("Most slid"):
            print_text(sentence)
    _print_editions(found)
    typer.echo("Give --bars, such as --bars 1-4, to see who does what there.")
