"""What ``glideline query`` answers, and in which form it is given."""

import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

import polars as pl

from pipeline.answers.note_names import spelling
from pipeline.answers.open_corpus import OpenCorpus, per_transfer
from pipeline.answers.selection import Selection
from pipeline.answers.sentences import CANNOT_SAY, sentences
from pipeline.answers.short_sentences import TOO_MANY_SILENT
from pipeline.cli.console import console, print_text
from pipeline.cli.rows import as_csv, as_json, first_rows, write_parquet
from pipeline.cli.tables import counts_by_share, print_table
from pipeline.counted import counted as number_of
from pipeline.errors import UsageError
from pipeline.stats.correction import UNCORRECTED
from pipeline.stats.lineage import LineagePath
from pipeline.store import schema
from pipeline.store.database.read import SEARCHED, find_view
from pipeline.store.database.views import PER_TRANSFER
from pipeline.store.files.outputs import output
from pipeline.store.schema import Relation

# More than this nobody reads on a screen, and a table of them takes long to lay out; common practice, no source.
ROWS_SHOWN = 1000


@dataclass(frozen=True)
class Answer:
    """Rows in pieces, the view they come from if there is one, and what there is to say about them.

    ``keys``: key of each transfer whose pitches are in the rows.
    """

    pieces: Iterable[pl.DataFrame]
    relation: Relation | None = None
    remarks: list[str] = field(default_factory=list)
    keys: Mapping[str, str] = field(default_factory=dict)


def answer(
    folder: Path,
    view: str | None,
    *,
    sql: str | None = None,
    selection: Selection | None = None,
    where: str | None = None,
    common_teacher: tuple[str, str] | None = None,
    paths: str | None = None,
    transfers: Sequence[str] = (),
    most: int | None = None,
) -> Answer:
    """The rows asked for, of a view ``most`` where all takes count; the list of views if nothing was asked for.

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
        raise UsageError("--player, --school, --period, --scheme and --where go with a view", "write it after DIR")
    relation = None if view is None else find_view(view)
    if relation is not None and relation.name in PER_TRANSFER:
        if selection or where is not None:
            raise UsageError(f"{relation.name} is read straight from its files", "choose by --transfer alone")
        return Answer(per_transfer(folder, relation.name, transfers), relation)
    if transfers:
        raise UsageError(
            f"--transfer goes with {', '.join(PER_TRANSFER[:-1])} and {PER_TRANSFER[-1]}",
            "for others: --where \"transfer_id = 'ID'\"",
        )
    if sql is not None:
        return Answer(_asked(folder, sql))
    with OpenCorpus(folder) as corpus:
        if view is not None:
            made = corpus.selected(view, selection, where=where, most=most)
            remarks = [*made.remarks, *_of_correction(corpus, made.frame), *_of_slides_into_notes(made.frame)]
            if selection.min_certainty is None:
                remarks += _of_doubt(corpus, view, made.frame)
            return Answer([made.frame], relation, remarks, _keys(corpus, made.frame))
        certainty = selection.min_certainty or "possible"
        if common_teacher is not None:
            found = corpus.nearest_common_teachers(*common_teacher, min_certainty=certainty)
            said = [] if found else [f"{' and '.join(common_teacher)} have no common teacher"]
            return Answer([_path_frame(found)], None, said)
        if paths is not None:
            found = corpus.lineage_paths(paths, min_certainty=certainty)
            return Answer([_path_frame(found)], None, [] if found else [f"{paths} has no teacher"])
    return Answer([_list_of_views()])


def _of_correction(corpus: OpenCorpus, frame: pl.DataFrame) -> Iterator[str]:
    without = int((frame["correction"] == UNCORRECTED).sum()) if "correction" in frame.columns else 0
    if without:
        which = "uncorrected" if without == frame.height else f"{without} of {frame.height} rows are uncorrected"
        if judged := corpus.excerpts_judged():
            yield (
                f"{which}: {number_of(judged, 'excerpt')} judged by ear so far, too few there to say how many slides "
                "are missed and invented; `glideline listen DIR --plan` says how many are enough"
            )
        else:
            yield f"{which}: how many slides are missed and invented is not known there; `glideline listen` tells"


def _of_slides_into_notes(frame: pl.DataFrame) -> Iterator[str]:
    """Why a row may have slides and yet none per 100 transitions."""
    names = ("found_slides" if "found_slides" in frame.columns else "slides", "slides_per_100_transitions")
    if not set(names) <= set(frame.columns):
        return
    if frame.filter((pl.col(names[0]) > 0) & (pl.col(names[1]) == 0)).height:
        yield "0 per 100 transitions beside some slides: those go into a note that has none before it"


def _of_doubt(corpus: OpenCorpus, view: str, frame: pl.DataFrame) -> Iterator[str]:
    """What is less than certain and counts all the same."""
    counted = []
    if "takes_doubtful" in frame.columns and (frame["takes_doubtful"] > 0).any():
        counted.append("takes of players named as possible or probable only")
    taught = "lineage" in view or "teacher" in view
    if taught and corpus.sql("from base.teaching where certainty <> 'certain'").height:
        counted.append("teaching that is less than certain")
    if counted:
        yield f"counted too: {' and '.join(counted)}; --min-certainty certain leaves them out"


def _keys(corpus: OpenCorpus, frame: pl.DataFrame) -> dict[str, str]:
    if "transfer_id" not in frame.columns or not any(name.endswith("midi") for name in frame.columns):
        return {}
    return dict(corpus.sql("select transfer_id, key from base.speed where key is not null").iter_rows())


def _asked(folder: Path, sql: str) -> Iterator[pl.DataFrame]:
    with OpenCorpus(folder) as corpus:
        yield from corpus.sql_pieces(sql)


def give(
    made: Answer,
    *,
    form: str = "table",
    to: Path | None = None,
    columns: Sequence[str] = (),
    wide: bool = False,
    replace: bool = False,
) -> None:
    """Print the answer, or write it to a file; remarks go to stderr. ``columns`` and ``wide`` are of the table."""
    if form != "table" and (columns or wide):
        raise UsageError("--columns and --wide go with the table", "other forms hold all columns")
    if form == "parquet" and to is None:
        raise UsageError("--as parquet needs a file: --to rows.parquet")
    if to is None:
        _write(made, sys.stdout, form=form, columns=columns, wide=wide)
    else:
        with output(to, replace=replace) as part:
            if form == "parquet":
                write_parquet(iter(made.pieces), part)
            else:
                with part.open("w", encoding="utf-8", newline="") as file:
                    _write(made, file, form=form, columns=columns, wide=wide)
    for remark in made.remarks:
        print_text(remark, file=sys.stderr)


def tell(made: Answer) -> None:
    """Print the answer in sentences.

    Raises
    ------
    UsageError
        If what was asked has none.
    """
    said = sentences(made.relation.name, pl.concat(made.pieces)) if made.relation is not None else None
    if said is None:
        raise UsageError(f"--say: {CANNOT_SAY}")
    for text in said:
        print_text(text)
    for remark in made.remarks:
        print_text(remark, file=sys.stderr)


def _write(made: Answer, file: TextIO, *, form: str, columns: Sequence[str], wide: bool) -> None:
    if form == "table":
        _table(made, file, columns=columns, wide=wide)
    else:
        for text in (as_csv if form == "csv" else as_json)(made.pieces):
            file.write(text)


def _table(made: Answer, file: TextIO, *, columns: Sequence[str], wide: bool) -> None:
    frame, more = first_rows(made.pieces, most=ROWS_SHOWN)
    hidden = print_table(
        frame,
        made.relation,
        console=console(file),
        columns=columns,
        wide=wide,
        spelling=lambda row: spelling(made.keys.get(row.get("transfer_id", ""))),
    )
    if "share_silent" in frame.columns:
        print_text(f"caution: {TOO_MANY_SILENT}", file=sys.stderr)
    if made.relation is not None and counts_by_share(frame):
        print_text("a take that falls into several groups counts in each by its share", file=sys.stderr)
    if more:
        print_text(f"only the first {ROWS_SHOWN:,} rows are shown; all: --as csv", file=sys.stderr)
    if hidden and not columns:
        print_text(f"{hidden} more columns: --wide, --columns NAMES, or --as csv", file=sys.stderr)


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
