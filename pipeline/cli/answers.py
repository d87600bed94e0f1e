"""What ``glideline query`` answers, and in which form it is given."""

import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl
from rich.console import Console

from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.selection import Selection
from pipeline.cli.tables import counts_by_share, print_table
from pipeline.errors import UsageError
from pipeline.stats.lineage import LineagePath
from pipeline.store import schema
from pipeline.store.database.read import SEARCHED, find_view
from pipeline.store.schema import Relation


@dataclass(frozen=True)
class Answer:
    """Rows, the view they come from if there is one, and what there is to say about them."""

    frame: pl.DataFrame
    relation: Relation | None = None
    remarks: list[str] = field(default_factory=list)


def answer(
    folder: Path,
    view: str | None,
    *,
    sql: str | None = None,
    selection: Selection | None = None,
    where: str | None = None,
    common_teacher: tuple[str, str] | None = None,
    paths: str | None = None,
) -> Answer:
    """The rows asked for; the list of views if nothing was.

    Raises
    ------
    UsageError
        If more than one thing is asked for, or filters do not fit it.
    """
    selection = selection or Selection()
    asked = [x is not None for x in (view, sql, common_teacher, paths)]
    if sum(asked) > 1:
        raise UsageError("ask for one thing: a view, --sql, --common-teacher or --paths")
    if view is None and (where is not None or (selection and (sql is not None or not any(asked)))):
        raise UsageError("--player, --school, --period, --scheme and --where go with a view; write it after DIR")
    with OpenCorpus(folder) as corpus:
        if view is not None:
            made = corpus.selected(view, selection, where=where)
            return Answer(made.frame, find_view(view), made.remarks)
        if sql is not None:
            return Answer(corpus.sql(sql))
        certainty = selection.min_certainty or "possible"
        if common_teacher is not None:
            found = corpus.nearest_common_teachers(*common_teacher, min_certainty=certainty)
            said = [] if found else [f"{' and '.join(common_teacher)} have no common teacher"]
            return Answer(_path_frame(found), None, said)
        if paths is not None:
            found = corpus.lineage_paths(paths, min_certainty=certainty)
            return Answer(_path_frame(found), None, [] if found else [f"{paths} has no teacher"])
    return Answer(_list_of_views())


def give(made: Answer, *, output: str = "table", to: Path | None = None, every: bool = False) -> None:
    """Print the answer, or write it to a file; remarks go to stderr."""
    frame = made.frame
    if output == "parquet" and to is None:
        raise UsageError("--as parquet needs a file: --to rows.parquet")
    if output == "table":
        _table(made, to=to, every=every)
    elif output == "csv":
        _write(_flat(frame).write_csv(), to)
    elif output == "json":
        _write(frame.write_json() + "\n", to)
    elif to is not None:
        frame.write_parquet(to)
    for remark in made.remarks:
        print(remark, file=sys.stderr)


def _table(made: Answer, *, to: Path | None, every: bool) -> None:
    if to is None:
        # A pipe or a file has no width of its own: nothing is folded there.
        console = Console() if sys.stdout.isatty() else Console(width=400)
        hidden = print_table(made.frame, made.relation, console=console, every=every)
    else:
        with to.open("w", encoding="utf-8") as file:
            hidden = print_table(made.frame, made.relation, console=Console(file=file, width=400), every=every)
    if made.relation is not None and counts_by_share(made.frame):
        print("a take that falls into several groups counts in each by its share", file=sys.stderr)
    if hidden:
        print(f"{hidden} more columns: --all-columns, or --as csv", file=sys.stderr)


def _write(text: str, to: Path | None) -> None:
    if to is None:
        sys.stdout.write(text)
    else:
        to.write_text(text, encoding="utf-8")


def _flat(frame: pl.DataFrame) -> pl.DataFrame:
    """Lists as text, since CSV has none."""
    lists = [name for name, kind in frame.schema.items() if isinstance(kind, pl.List)]
    return frame.with_columns(pl.col(name).cast(pl.List(pl.String())).list.join("; ") for name in lists)


def _path_frame(paths: Iterable[LineagePath]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            (path.people[0], path.people[-1], path.generations, path.weakest_certainty, " < ".join(path.people))
            for path in paths
        ],
        schema={
            "player": pl.String(),
            "ancestor": pl.String(),
            "generations": pl.Int64(),
            "weakest_certainty": pl.String(),
            "path": pl.String(),
        },
        orient="row",
    )


def _list_of_views() -> pl.DataFrame:
    return pl.DataFrame(
        [
            (f"{relation.layer}.{relation.name}", relation.description)
            for layer in SEARCHED
            for relation in schema.relations(layer)
        ],
        schema={"view": pl.String(), "holds": pl.String()},
        orient="row",
    )
