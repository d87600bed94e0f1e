"""The hand-kept tables of a corpus: read as text, cast by the schemas, tied together by their ids.

Every problem is kept, none stops the reading. A wrong cell that may be empty becomes null; a row whose key or
required cell is wrong is left out, and so is what refers to it. ``blocking`` says what that stops.
"""

from collections.abc import Iterable, Iterator
from copy import copy
from functools import cached_property
from pathlib import Path
from typing import Any, Self

import polars as pl

from pipeline.errors import DataError
from pipeline.store.catalogue.csv_text import TextTable, read_text_table, typed
from pipeline.store.catalogue.problems import Problem, did_you_mean
from pipeline.store.catalogue.standing import standing
from pipeline.store.catalogue.teaching import circles, impossible
from pipeline.store.catalogue.written import taken_over
from pipeline.store.schema import Column, Relation, hand_kept
from pipeline.store.schema.dates import parse_date

Row = dict[str, Any]
# Unknown ids of a column for which the nearest known one is sought: more are no slips of the keys.
GUESSED = 100


class Catalogue:
    """All hand-kept tables of the corpus folder ``root``; read once, when first asked for.

    ``asked``: names of the tables that were asked for by now.
    """

    def __init__(self, root: Path) -> None:
        self.root = Path(root)
        self.asked: set[str] = set()
        self._places: dict[str, dict[tuple[Any, ...], tuple[str, int]]] = {}
        self._row_lists: dict[str, list[Row]] = {}
        self._indexes: dict[tuple[str, str], dict[Any, list[Row]]] = {}

    def asked_anew(self) -> Self:
        """The same tables, read no second time, with an account of its own of what is asked for."""
        self.problems()
        twin = copy(self)
        twin.asked = set()
        return twin

    def frame(self, table: str) -> pl.DataFrame:
        """All rows of a table that can be used, typed, with the columns computed beside dates, sorted by key.

        Raises
        ------
        DataError
            If there is no hand-kept table of that name.
        """
        self._known(table)
        return self._tables[0][table]

    def rows(self, table: str, **where: Any) -> list[Row]:
        """Rows of a table whose columns equal the given values, sorted by key."""
        self._known(table)
        if len(where) == 1:
            ((column, value),) = where.items()
            index = self._index(table, column)
            return list(index.get(value, []))
        return [r for r in self._rows(table) if all(r[name] == value for name, value in where.items())]

    def row(self, table: str, key: str) -> Row | None:
        """The row with that id (of a table whose key is one column), or None."""
        self._known(table)
        found = self._index(table, self._relations[table].key[0]).get(key, [])
        return found[0] if found else None

    def one(self, table: str, key: str) -> Row:
        """The row with that id; KeyError if there is none."""
        row = self.row(table, key)
        if row is None:
            raise KeyError(f"{table} {key}")
        return row

    def problems(self) -> list[Problem]:
        """Everything wrong in the files themselves, in the order of files and rows."""
        return list(self._tables[1])

    @property
    def hashes(self) -> dict[str, str]:
        """SHA-256 of each file as it was read, which may be older than what lies there now."""
        return {text.file: text.sha256 for texts in self._texts.values() for text in texts}

    def place(self, table: str, row: Row) -> tuple[str, int | None]:
        """File and spreadsheet row at which a row stands; one of ``placed`` says so itself."""
        if "_file" in row:
            return row["_file"], row["_row"]
        if table not in self._places:
            keys = self._placed[table].select(self._relations[table].key).iter_rows()
            places = self._placed[table].select("_file", "_row").iter_rows()
            self._places[table] = dict(zip(keys, places, strict=True))
        key = tuple(row[name] for name in self._relations[table].key)
        return self._places[table].get(key, (f"catalogue/{table}.csv", None))

    def placed(self, table: str) -> pl.DataFrame:
        """As ``frame``, as the files have it, with ``_file`` and ``_row``: for tables that may have very many rows."""
        self._known(table)
        self.frame(table)
        return self._placed[table]

    def blocking(self, transfer_id: str) -> list[Problem]:
        """Errors in the rows that decide how this transfer is measured; with any, it must not be measured."""
        sides = {r["side_id"] for r in self.rows("transfer", transfer_id=transfer_id)}
        takes = {r["take_id"] for side in sides for r in self.rows("side_take", side_id=side)}
        takes |= {r["take_id"] for r in self.rows("passage", transfer_id=transfer_id)}
        concerns = {
            "transfer": {transfer_id},
            "passage": {transfer_id},
            "speed_decision": {transfer_id},
            "side_take": sides,
            "take": takes,
            "performance": takes,
            "reference_pitch": takes,
        }
        found = {
            number: problem
            for table, keys in concerns.items()
            for key in keys
            for number, problem in self._errors.get((table, key), ())
        }
        return [found[number] for number in sorted(found)]

    @cached_property
    def _errors(self) -> dict[tuple[str, str], list[tuple[int, Problem]]]:
        """Errors by table and key, with their place among all problems."""
        found: dict[tuple[str, str], list[tuple[int, Problem]]] = {}
        for number, problem in enumerate(self.problems()):
            if problem.severity == "error" and problem.key:
                found.setdefault((problem.table, problem.key), []).append((number, problem))
        return found

    def require_whole(self) -> None:
        """Refuses to go on while a table may have rows that nobody can see: they must not be taken for deleted.

        Raises
        ------
        DataError
            If a file of catalogue/ cannot be read, or not to its end; says why.
        """
        broken = [text for texts in self._texts.values() for text in texts if not text.whole]
        said = [str(p) for text in broken for p in text.problems if text.file.startswith("catalogue/")]
        if said:
            raise DataError("\n".join(["nothing can be planned while some rows cannot be seen:", *said]))

    def _known(self, table: str) -> Relation:
        if table not in self._relations:
            cure = did_you_mean(table, list(self._relations), otherwise="`glideline dictionary` lists all tables")
            raise DataError(f"{table} is not a hand-kept table", cure)
        self.asked.add(table)
        return self._relations[table]

    @cached_property
    def _relations(self) -> dict[str, Relation]:
        return {relation.name: relation for relation in hand_kept()}

    @cached_property
    def _texts(self) -> dict[str, list[TextTable]]:
        texts: dict[str, list[TextTable]] = {}
        for relation in self._relations.values():
            texts[relation.name] = [
                read_text_table(path, relation=relation, root=self.root) for path in table_files(self.root, relation)
            ]
        return texts

    @cached_property
    def _tables(self) -> tuple[dict[str, pl.DataFrame], list[Problem]]:
        problems: list[Problem] = []
        written = {
            (relation.name, relation.key[0]): {
                cell.casefold() for text in self._texts[relation.name] for cell in text.column(relation.key[0]) if cell
            }
            for relation in self._relations.values()
        }
        parsed = {name: _parsed(self._relations[name], texts, problems) for name, texts in self._texts.items()}
        for text in (text for texts in self._texts.values() for text in texts):
            text.rows.clear()  # there may be a million
        if "file" in parsed["transfer"].columns and not (self.root / "audio" / "audio").is_dir():
            # paths are below audio/; many write that folder as well
            parsed["transfer"] = parsed["transfer"].with_columns(pl.col("file").str.strip_prefix("audio/"))
        self._check_references(parsed, written, problems)
        parsed["teaching"] = _possible(parsed["teaching"], parsed["player"], problems)
        parsed["review"] = standing(parsed["review"])
        frames: dict[str, pl.DataFrame] = {}
        self._placed: dict[str, pl.DataFrame] = {}
        for name, frame in parsed.items():
            relation = self._relations[name]
            ordered = frame.sort([*relation.key, "_row"], nulls_last=False, maintain_order=True)
            self._placed[name] = ordered.select([*(column.name for column in relation.columns), "_file", "_row"])
            frames[name] = ordered.select([column.name for column in relation.columns])
        frames |= taken_over(frames)
        order = {relation.name: number for number, relation in enumerate(self._relations.values())}
        problems.sort(key=lambda p: (order.get(p.table, 99), p.file, p.row or 0, p.column, p.message))
        return frames, problems

    def _check_references(
        self, parsed: dict[str, pl.DataFrame], written: dict[tuple[str, str], set[str]], problems: list[Problem]
    ) -> None:
        """Drops rows (or clears cells) that refer to what is not there, until nothing changes.

        ``written``: ids as they stand in the files, right or wrong, by table and column.
        """
        partly = {name for name, texts in self._texts.items() if not all(text.whole for text in texts)}
        changed = True
        while changed:
            changed = False
            for name, relation in self._relations.items():
                for column in relation.written_columns:
                    if column.references is None or parsed[name].is_empty():
                        continue
                    target, _, target_column = column.references.partition(".")
                    known = parsed[target][target_column].unique().drop_nulls().sort()
                    frame = parsed[name]
                    absent = frame[column.name].is_not_null() & ~frame[column.name].is_in(known.implode())
                    if not absent.any():
                        continue
                    changed = True
                    rows = frame.filter(absent).iter_rows(named=True)
                    ids = written[target, target_column]
                    problems.extend(_dangling(relation, column, rows, known.to_list(), ids, partly=target in partly))
                    if column.required or column.name in relation.key:
                        parsed[name] = frame.filter(~absent)
                    else:
                        kept = pl.when(~absent).then(pl.col(column.name))
                        parsed[name] = frame.with_columns(kept.alias(column.name))

    def _rows(self, table: str) -> list[Row]:
        if table not in self._row_lists:
            self._row_lists[table] = self.frame(table).to_dicts()
        return self._row_lists[table]

    def _index(self, table: str, column: str) -> dict[Any, list[Row]]:
        if (table, column) not in self._indexes:
            made: dict[Any, list[Row]] = {}
            for row in self._rows(table):
                made.setdefault(row[column], []).append(row)
            self._indexes[table, column] = made
        return self._indexes[table, column]


def table_files(root: Path, relation: Relation) -> list[Path]:
    """Files that hold a hand-kept table: one in catalogue/, else all CSV files of its folder.

    In reviews/ a listener has one file for verdicts and one, ``<listener>.marks.csv``, for own marks.
    """
    if relation.folder == "catalogue":
        return [root / "catalogue" / f"{relation.name}.csv"]
    found = sorted((root / relation.folder).glob("*.csv"))
    if relation.folder != "reviews":
        return found
    return [path for path in found if path.name.endswith(".marks.csv") == (relation.name == "mark")]


def _parsed(relation: Relation, texts: Iterable[TextTable], problems: list[Problem]) -> pl.DataFrame:
    """Rows that stand on their own, with ``_file`` and ``_row``; wrong cells that may be empty are null."""
    frames = []
    for text in texts:
        problems.extend(text.problems)
        if not text.rows:
            continue
        said = {(problem.row, problem.column) for problem in text.problems}
        series: list[pl.Series] = []
        dropped: set[int] = set()
        keys = text.column(relation.key[0])
        for column in relation.written_columns:
            cells = text.column(column.name)
            values, troubles = typed(column, cells, comma_decimals=text.delimiter != ",")
            missing = column.name not in text.headings
            for trouble in troubles:
                if column.required or column.name in relation.key:
                    dropped.add(trouble.row)
                if missing or (text.numbers[trouble.row], column.name) in said:
                    continue
                problems.append(
                    Problem(
                        text.file,
                        text.numbers[trouble.row],
                        column.name,
                        cells[trouble.row] or "",
                        trouble.message,
                        trouble.cure,
                        table=relation.name,
                        key=keys[trouble.row] or "",
                    )
                )
            series.append(values)
            if column.edtf:
                series.extend(_date_columns(relation, column, values))
        frame = pl.DataFrame(series).with_columns(
            pl.lit(text.file).alias("_file"), pl.Series("_row", text.numbers, dtype=pl.Int64())
        )
        keep = [number not in dropped for number in range(frame.height)]
        frames.append(frame.filter(pl.Series(values=keep, dtype=pl.Boolean())))
    if not frames:
        return relation.empty().with_columns(
            pl.lit(None, dtype=pl.String()).alias("_file"), pl.lit(None, dtype=pl.Int64()).alias("_row")
        )
    return _unrepeated(relation, pl.concat(frames), problems)


def _unrepeated(relation: Relation, frame: pl.DataFrame, problems: list[Problem]) -> pl.DataFrame:
    key = pl.struct(relation.key)
    first: dict[tuple[Any, ...], tuple[str, int]] = {}
    repeated = frame.filter(key.is_duplicated())
    for *parts, file, row in repeated.select([*relation.key, "_file", "_row"]).iter_rows():
        stands = first.setdefault(tuple(parts), (file, row))
        # To the files of listeners lines are only added: what one says anew stands, the last time.
        if stands == (file, row) or (relation.folder == "reviews" and stands[0] == file):
            continue
        where = f"{stands[0]} row {stands[1]}" if stands[0] != file else f"row {stands[1]}"
        problems.append(
            Problem(
                file,
                row,
                " + ".join(relation.key),
                ", ".join("empty" if part is None else str(part) for part in parts),
                f"stands already in {where}",
                "give one of the two another id" if len(parts) == 1 else "keep one of the two rows",
                table=relation.name,
                key=str(parts[0]),
            )
        )
    return frame.filter(key.is_last_distinct() if relation.folder == "reviews" else key.is_first_distinct())


def _possible(teaching: pl.DataFrame, player: pl.DataFrame, problems: list[Problem]) -> pl.DataFrame:
    """Teaching without rows that cannot be true, so that lineages end; see ``store.lineage``."""
    players = {row["player_id"]: row for row in player.to_dicts()}
    rows = teaching.to_dicts()
    keep = [True] * len(rows)

    def refuse(place: int, column: str, message: str, cure: str) -> None:
        row = rows[place]
        keep[place] = False
        value = str(row[column])
        key = row["teacher_id"]
        problems.append(Problem(row["_file"], row["_row"], column, value, message, cure, table="teaching", key=key))

    for place, row in enumerate(rows):
        if fault := impossible(row, players=players):
            refuse(place, *fault)
    edges = [(row["teacher_id"], row["student_id"]) for row, kept in zip(rows, keep, strict=True) if kept]
    for circle in circles(edges):
        named = " taught ".join(players[person]["name"] for person in [*circle, circle[0]])
        closed = set(zip(circle, [*circle[1:], circle[0]], strict=True))
        for place, row in enumerate(rows):
            if keep[place] and (row["teacher_id"], row["student_id"]) in closed:
                refuse(place, "student_id", f"closes a circle: {named}", "delete or turn round one of its rows")
    still = [(row["teacher_id"], row["student_id"]) for row, kept in zip(rows, keep, strict=True) if kept]
    if circles(still):
        return _possible(teaching.filter(pl.Series(values=keep, dtype=pl.Boolean())), player, problems)
    return teaching.filter(pl.Series(values=keep, dtype=pl.Boolean()))


def _dangling(
    relation: Relation, column: Column, rows: Iterable[Row], known: list[str], written: set[str], *, partly: bool
) -> Iterator[Problem]:
    """References to rows that are not there, are wrong themselves (``written``), or may stand in an unread part."""
    target = (column.references or "").partition(".")[0]
    cures: dict[str, str] = {}  # looking for the nearest of many ids takes a while
    for row in rows:
        value = str(row[column.name])
        wrong = value.casefold() in written
        waits = wrong or partly
        cause = f"its row in {target}.csv is wrong" if wrong else f"{target}.csv cannot be read as a whole"
        first = f"mend that row of {target}.csv first" if wrong else f"mend {target}.csv first"
        if not waits and value not in cures:
            plainly = f"add a row to {target}.csv, or mend the id"
            cures[value] = did_you_mean(value, known if len(cures) < GUESSED else [], otherwise=plainly)
        yield Problem(
            row["_file"],
            row["_row"],
            column.name,
            value,
            f"is left out, since {cause}" if waits else f"is not in {target}.csv",
            first if waits else cures[value],
            severity="remark" if waits else "error",
            table=relation.name,
            key=str(row[relation.key[0]]),
        )


def _date_columns(relation: Relation, column: Column, values: pl.Series) -> Iterator[pl.Series]:
    dates = [parse_date(value) if value is not None else None for value in values]
    for computed in relation.columns:
        if computed.computed_from == column.name:
            attribute = computed.name[len(column.name) + 1 :]
            dtype = pl.Date() if computed.type == "date" else pl.String()
            yield pl.Series(computed.name, [getattr(d, attribute) if d else None for d in dates], dtype=dtype)
