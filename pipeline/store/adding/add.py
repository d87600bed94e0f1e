"""Adds audio to a corpus: plans first, so that the difference can be shown, then gives all of it to one change."""

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.errors import DataError
from pipeline.store.adding.audio_files import AudioFile, beside_namesake, find_audio, look_at_audio, same_as_another
from pipeline.store.adding.draft import LOOKED_AT, TABLES, Drafter
from pipeline.store.adding.editing import EditableTable
from pipeline.store.adding.headings import mapping_content, match_headings, read_mapping, recognised
from pipeline.store.adding.names import Offer, draft_content
from pipeline.store.adding.pending import Draft, FileKey
from pipeline.store.adding.people import OTHER_LINE
from pipeline.store.adding.recordings import Lines, Recording, Said, read_lines
from pipeline.store.adding.row_index import RowBook
from pipeline.store.adding.sheet import read_sheets
from pipeline.store.catalogue.likeness import fuller, like_names, like_titles
from pipeline.store.catalogue.problems import Problem
from pipeline.store.corpus import Corpus
from pipeline.store.files.changes import Change, changing
from pipeline.store.schema import Relation, load
from pipeline.store.schema.date_words import date_words

_APPLIED = ("file", "start", "field", "value")


@dataclass
class AddPlan:
    """What ``add`` would do; ``apply`` does it.

    Attributes
    ----------
    mapping : field by heading of the sheet; empty without a sheet.
    files : the audio files that are entered.
    draft : new rows, changed cells, rows that go, and cells kept against the sheet.
    problems : files and lines that are left out (errors), and cells that could not be read (remarks).
    readings : dates written in words, as (cell, EDTF).
    """

    corpus: Corpus
    mapping: dict[str, str]
    files: list[AudioFile]
    draft: Draft
    problems: list[Problem]
    readings: list[tuple[Said, str]]
    _tables: dict[str, EditableTable]

    @property
    def empty(self) -> bool:
        """Whether there is nothing to write."""
        return not (self.draft.new or self.draft.changes or self.draft.gone)

    def apply(self) -> None:
        """Copies audio and writes the tables, all or nothing.

        Raises
        ------
        DataError
            If something cannot be written, or a table has been changed since the plan was made.
        """
        with changing(self.corpus.root, doing="add") as change:
            self.enter(change)

    def enter(self, change: Change) -> None:
        """Gives audio to be copied and tables with their new rows to a change."""
        root = self.corpus.root
        for file in self.files:
            target = root / "audio" / file.inside
            if file.copied and not target.exists():
                change.copy_in(file.path, target)
        for cell in self.draft.changes:
            self._tables[cell.table].change(cell.key, cell.column, cell.new)
        for gone in self.draft.gone:
            self._tables[gone.table].remove(gone.key)
        for row in self.draft.new:
            self._tables[row.table].append(row.cells)
        touched = {cell.table for cell in self.draft.changes} | {gone.table for gone in self.draft.gone}
        touched |= {row.table for row in self.draft.new}
        for name in TABLES:
            if name in touched:
                self._tables[name].into(change)
        if self.draft.applied:
            path = root / "sheet" / "applied.csv"
            change.put(path, applied_content(self.draft.applied), was=path.read_bytes() if path.exists() else None)

    @property
    def offers(self) -> list[Offer]:
        """What names and tags of the files that are entered say, where no sheet has been given."""
        return [] if self.mapping else [offer for file in self.files for offer in file.offers]

    def keep_offers(self, change: Change) -> Path:
        """Gives ``offers`` as a sheet to a change, beside earlier ones that may have been mended; returns its path."""
        content, number = draft_content(self.offers), 1
        while True:
            name = "draft.csv" if number == 1 else f"draft-{number}.csv"
            path = self.corpus.root / "sheet" / name
            if not path.exists():
                change.put(path, content, was=None)
            elif path.read_bytes() != content:
                number += 1
                continue
            return path

    def keep_mapping(self, change: Change) -> Path:
        """Gives the matches of headings, ``sheet/mapping.toml``, to a change, for mending there; returns its path."""
        path = self.corpus.root / "sheet" / "mapping.toml"
        was = path.read_bytes() if path.exists() else None
        change.put(path, mapping_content(read_mapping(path) | self.mapping), was=was)
        return path


def plan_add(root: Path | str, audio: Iterable[Path | str] = (), *, sheet: Path | str | None = None) -> AddPlan:
    """What adding these audio files, with or without a sheet, would change.

    Parameters
    ----------
    root : the corpus folder.
    audio : files, or folders of files; none: what lies in the corpus's audio/ already.
    sheet : a CSV or XLSX file, a line for each recording.

    Raises
    ------
    DataError
        If the corpus, a file or the sheet is not there or not readable as a whole, or a catalogue file that would
        be changed is damaged.
    """
    corpus = Corpus(root)
    paths, passed_over = find_audio([Path(path) for path in audio], root=corpus.root)
    files, problems = look_at_audio(paths, root=corpus.root)
    problems = passed_over + problems
    mapping: dict[str, str] = {}
    lines = Lines([Recording(file) for file in files])
    if sheet is not None:
        kept = read_mapping(corpus.root / "sheet" / "mapping.toml")
        sheets = read_sheets(Path(sheet), recognised=partial(recognised, kept=kept))
        for one in sheets:
            found = match_headings(one.headings, kept=kept | mapping, in_two=one.in_two)
            if {"file", "player"} & set(found.values()):  # others are passed over
                mapping |= found
        lines = read_lines(sheets, mapping, files)
        problems += lines.problems
    catalogue = corpus.root / "catalogue"
    tables = {name: EditableTable.read(catalogue / f"{name}.csv", relation=load(name)) for name in TABLES}
    looked_at = {name: _read_all(corpus.root, load(name)) for name in LOOKED_AT}
    drafter = Drafter(RowBook(tables | looked_at), read_applied(corpus.root / "sheet" / "applied.csv"))
    draft = drafter.draft_all(lines.recordings, lines.people)
    problems += [_noted(said) for said in draft.noted]
    problems += _likenesses(draft)
    entered = {row.cells["file"] for row in draft.new if row.table == "transfer"}
    files = [file for file in files if file.inside in entered]
    problems += _namesakes(corpus.root, files, draft) + same_as_another(files, root=corpus.root)
    written = {value for row in draft.new for value in row.cells.values()}
    written |= {change.new for change in draft.changes}
    readings = [(said, meant) for said, meant in lines.readings if meant in written]
    return AddPlan(corpus, mapping, files, draft, problems, readings, tables)


def _namesakes(root: Path, files: Iterable[AudioFile], draft: Draft) -> list[Problem]:
    """A remark for each file to be entered that has the name of one in the corpus."""
    entered = {f.namesake: draft.book.where("transfer", "file", f.namesake) for f in files if f.namesake}
    return [
        beside_namesake(file, root=root, transfers=[row["transfer_id"] for row in entered[file.namesake]])
        for file in files
        if file.namesake
    ]


_ALIKE = (("player", "name", like_names), ("work", "title", like_titles), ("work", "composer", like_names))


def _read_all(root: Path, relation: Relation) -> EditableTable:
    """The rows of a table that is only looked at; some are kept in several files."""
    files = [root / "catalogue" / f"{relation.name}.csv"]
    if relation.folder != "catalogue":
        files = sorted((root / str(relation.folder)).glob("*.csv"))
    read = [EditableTable.read(path, relation=relation) for path in files]
    headings = [column.name for column in relation.written_columns]
    rows = [dict(zip(table.rows[0], row, strict=False)) for table in read for row in table.rows[1:]]
    return EditableTable(root, relation, rows=[headings, *([row.get(h, "") for h in headings] for row in rows)])


def _likenesses(draft: Draft) -> list[Problem]:
    """New names and titles that are probably other spellings of what is there or comes with them."""
    found = []
    for table, column, pairs in _ALIKE:
        new = {row.cells[column] for row in draft.new if row.table == table and column in row.cells}
        known = [row[column] for row in draft.book.all(table) if column in row]
        for one, two in pairs(known) if new else []:
            if not new & {one, two} or one.casefold() == two.casefold():
                continue
            said, other = (two, one) if two in new else (one, two)
            # The fuller spelling tells more, but what the catalogue has already is not the sheet's to change.
            kept = fuller(one, two) if other in new else other
            cure = f"if they are one, say no and write {kept!r} for both in the sheet"
            if other not in new:
                cure += f", or first change its {column} in {table}.csv"
            found.append(Problem(f"new {table}", None, column, said, f"is much like {other!r}", cure, "remark"))
    return found


def _noted(said: Said) -> Problem:
    message = "no column holds this beside what the catalogue says already, so it goes into the note"
    cure = "enter it by hand where it belongs"
    return Problem(said.sheet, said.row, said.heading, said.cell, message, cure, "remark")


def add(root: Path | str, audio: Iterable[Path | str] = (), *, sheet: Path | str | None = None) -> AddPlan:
    """Adds audio files to a corpus, with or without a sheet, and returns what was done; see ``plan_add``."""
    with changing(Corpus(root).root, doing="add") as change:
        plan = plan_add(root, audio, sheet=sheet)
        if plan.mapping:
            plan.keep_mapping(change)
        plan.enter(change)
    return plan


def read_applied(path: Path) -> dict[tuple[FileKey, str], str]:
    """What the sheet said of each file when it was last added."""
    if not path.exists():
        return {}
    try:
        rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline=""), strict=True))
    except (csv.Error, UnicodeDecodeError) as error:
        raise DataError(
            f"sheet/applied.csv: is damaged ({error})", "delete it, and hand edits are told by the catalogue alone"
        ) from error
    return {((row[0], row[1]), row[2]): row[3] for row in rows[1:] if len(row) == len(_APPLIED)}


def applied_content(applied: dict[tuple[FileKey, str], str]) -> bytes:
    """What the sheet said, as the file that keeps it for the next time."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(_APPLIED)
    writer.writerows([*key, name, value] for (key, name), value in sorted(applied.items()))
    return buffer.getvalue().encode()


def difference(plan: AddPlan) -> Iterator[str]:
    """The plan in words, a line each."""
    new = {name: [row.cells for row in plan.draft.new if row.table == name] for name in TABLES}
    for file in plan.files:
        said = f" ({file.says})" if file.says else ""
        came = ", to be copied into audio/" if file.copied else ""
        yield f"  audio/{file.inside}: {file.length_s:.1f} s, {file.sample_rate_hz:,} Hz{came}{said}"
    read: dict[tuple[str, str], int] = {}
    for cell_said, meant in plan.readings:
        read[cell_said.cell, meant] = read.get((cell_said.cell, meant), 0) + 1
    for (cell, meant), count in read.items():
        yield f"  {cell} → {meant} ({date_words(meant)})" + (f", {count} times" if count > 1 else "")
    for name in TABLES:
        for cells in new[name]:
            yield f"+ {name}: " + ", ".join(f"{column}={value}" for column, value in cells.items())
    for change in plan.draft.changes:
        yield f"~ {change.table} {_row(change.key)}: {change.column}: {_cell(change.old)} → {_cell(change.new)}"
    for gone in plan.draft.gone:
        yield f"- {gone.table}: " + ", ".join(f"{column}={value}" for column, value in gone.cells.items())
    for kept in plan.draft.kept:
        said = f"the sheet says {kept.said or '(nothing)'}"
        if kept.whole:
            cure = "mend that line" if kept.why == OTHER_LINE else f"delete the row in {kept.table}.csv"
            stays = f"{kept.value} stays, for {kept.why}; {said}, so {cure} if it is wrong"
        else:
            stays = f"{kept.column} stays {_cell(kept.value)}, {kept.why}; {said}"
        yield f"= {kept.table} {_row(kept.key)}: {stays}"


def _row(key: Mapping[str, str]) -> str:
    return " ".join(value for value in key.values() if value)


def _cell(value: str) -> str:
    return value or "(empty)"
