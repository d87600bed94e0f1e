"""A corpus that has been run, open for reading: views as polars frames, with or without a choice of takes."""

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import polars as pl

from pipeline.answers.selection import Selected, Selection, select
from pipeline.errors import DataError, UsageError, typed
from pipeline.settings import read_settings
from pipeline.stats.lineage import CERTAINTIES, LineagePath, common_teachers, paths_up
from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import find_view, open_beside, open_read_only, rows_of, run_sql, sql_pieces
from pipeline.store.database.views import PER_TRANSFER


class OpenCorpus:
    """Reads a corpus's database and its large per-transfer tables; never writes.

    Raises
    ------
    DataError
        If there is no database yet.
    """

    def __init__(self, root: Path | str) -> None:
        self.root = Path(root)
        self._con = open_read_only(self.root)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._con.close()

    def view(
        self,
        name: str,
        *,
        player: str | Iterable[str] = (),
        school: str | Iterable[str] = (),
        period: str | Iterable[str] = (),
        scheme: str | None = None,
        min_certainty: str | None = None,
        where: str | None = None,
    ) -> pl.DataFrame:
        """A view or table as a frame: ``corpus.view("summary.slides_by_player", period="early")``.

        ``player``, ``school``, ``period`` (ids or names), ``scheme`` and ``min_certainty`` choose takes before
        anything is counted; ``where`` is an SQL condition on finished rows.

        Raises
        ------
        UsageError
            If a name is unknown, or the condition does not run.
        """
        selection = Selection(_many(player), _many(school), _many(period), scheme, min_certainty)
        return self.selected(name, selection, where=where).frame

    def selected(
        self, name: str, selection: Selection, *, where: str | None = None, most: int | None = None
    ) -> Selected:
        """As ``view``, with remarks, such as which filter left nothing; ``most``: rows that are wanted of all takes."""
        relation = find_view(name)
        if relation.name in PER_TRANSFER:
            raise UsageError(
                f"{relation.name} is read a transfer at a time: `glideline query DIR {relation.name} --transfer ID`, "
                f"or corpus.{relation.name}(transfer_id) in Python"
            )
        if selection:
            settings = read_settings(self.root / "settings.toml").summarise
            with open_beside(self.root) as con:
                made = select(con, relation, selection, seed=settings.seed, replicates=settings.replicates, where=where)
        else:
            made = Selected(rows_of(self._con, relation, where=where, most=most))
        if where is not None:
            made.remarks.append("--where chose among finished rows; nothing was counted again")
            if made.frame.is_empty():
                made.remarks.append(f"--where {where!r} leaves no row")
        elif made.frame.is_empty() and not selection:
            made.remarks.append(f"{relation.layer}.{relation.name} has no rows: {relation.description}")
        return made

    def sql(self, text: str) -> pl.DataFrame:
        """Rows of one read-only SQL statement.

        Raises
        ------
        UsageError
            If it does not run, or would change or reach something.
        """
        return run_sql(self._con, text)

    def sql_pieces(self, text: str) -> Iterator[pl.DataFrame]:
        """As ``sql``, piece by piece, for answers of any length."""
        return sql_pieces(self._con, text)

    def excerpts_judged(self) -> int:
        """How many drawn excerpts listeners had judged when the database was made, whatever they say together."""
        return int(self.sql("select count(distinct (sample_id, item_id)) as judged from stage.heard_item")["judged"][0])

    def pitch_frame(self, transfer_id: str) -> pl.DataFrame:
        """The pitch line of one transfer, in raw time and raw Hz."""
        return self._per_transfer("pitch_frame", transfer_id)

    def speed_curve(self, transfer_id: str) -> pl.DataFrame:
        """The speed correction of one transfer over its time."""
        return self._per_transfer("speed_curve", transfer_id)

    def _per_transfer(self, table: str, transfer_id: str) -> pl.DataFrame:
        return next(per_transfer(self.root, table, [transfer_id]))

    def nearest_common_teachers(
        self, player: str, other: str, *, min_certainty: str = "possible"
    ) -> tuple[LineagePath, ...]:
        """Paths from two players up to the teachers that both descend from by the fewest steps in all.

        Two paths for each such teacher, first the player's, then the other's; empty if they have none in common.
        """
        links = self._links(min_certainty)
        return common_teachers(links, self._person(player), self._person(other))

    def lineage_paths(self, player: str, *, min_certainty: str = "possible") -> tuple[LineagePath, ...]:
        """Every path from a player up through teachers, longest last, with the certainty of its weakest link."""
        return paths_up(self._links(min_certainty), self._person(player))

    def _links(self, min_certainty: str) -> dict[tuple[str, str], str]:
        if min_certainty not in CERTAINTIES:
            raise UsageError(f"min_certainty {min_certainty!r}: give {', '.join(reversed(CERTAINTIES))}")
        links: dict[tuple[str, str], str] = {}
        rows = self._con.execute("select student_id, teacher_id, certainty from base.teaching order by all").fetchall()
        for student, teacher, certainty in rows:
            best = max(certainty, links.get((student, teacher), certainty), key=CERTAINTIES.index)
            if CERTAINTIES.index(best) >= CERTAINTIES.index(min_certainty):
                links[student, teacher] = best
        return links

    def _person(self, text: str) -> str:
        found = self._con.execute(
            "select player_id from base.player where player_id = $1 or lower(name) = lower($1) "
            "order by player_id <> $1, player_id",
            [text],
        ).fetchall()
        if not found:
            known = [str(name) for row in self._con.execute(_PEOPLE).fetchall() for name in row]
            cure = f"all are listed by: glideline query {typed(self.root)} player"
            raise UsageError(f"no player {text!r}", did_you_mean(text, known, otherwise=cure))
        return str(found[0][0])


_PEOPLE = "select player_id, name from base.player order by player_id"


def per_transfer(root: Path | str, table: str, transfers: Iterable[str] = ()) -> Iterator[pl.DataFrame]:
    """The large table of each of these transfers, or of all that have it, straight from its files.

    Raises
    ------
    DataError
        If one of these transfers has none, or none has.
    """
    corpus = Corpus(root)
    wanted = list(transfers)
    folder = corpus.path(table, "any").parent
    for transfer_id in wanted or sorted(path.stem for path in folder.glob("*.parquet")):
        frame = corpus.read(table, transfer_id)
        if frame is None:
            raise DataError(f"{transfer_id!r} has no {table}", f"see: glideline status {typed(corpus.root)}")
        yield frame
    if not wanted and not folder.is_dir():
        raise DataError(f"{corpus.root}: nothing has been measured yet", f"run: glideline run {typed(corpus.root)}")


def open_corpus(root: Path | str) -> OpenCorpus:
    """Open a corpus that has been run, for reading.

    Raises
    ------
    DataError
        If there is no database yet.
    """
    return OpenCorpus(root)


def judged_slide(root: Path | str, slide_id: str) -> dict[str, Any] | None:
    """What listeners said of a slide, as of the last run: its row of ``stage.judged_slide``.

    None if none has, or nothing has been run.
    """
    try:
        with OpenCorpus(root) as corpus:
            judged = corpus.view("stage.judged_slide", where=f"slide_id = '{slide_id}' and verdict is not null")
    except DataError:
        return None
    return None if judged.is_empty() else judged.row(0, named=True)


def query(root: Path | str, view: str, **choice: Any) -> pl.DataFrame:
    """Rows of one view; ``choice`` as in ``OpenCorpus.view``.

    Raises
    ------
    DataError
        If there is no database yet.
    UsageError
        If a name is unknown, or a condition does not run.
    """
    with OpenCorpus(root) as corpus:
        return corpus.view(view, **choice)


def _many(given: str | Iterable[str]) -> Sequence[str]:
    return (given,) if isinstance(given, str) else tuple(given)
