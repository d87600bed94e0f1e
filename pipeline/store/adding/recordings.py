"""Turns the lines of a sheet into recordings: one a side, with the catalogue's spelling."""

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from pipeline.errors import DataError
from pipeline.store.adding.audio_files import AudioFile, matching
from pipeline.store.adding.headings import means_note
from pipeline.store.adding.sheet import Sheet, SheetRow
from pipeline.store.catalogue.cell_values import (
    CellError,
    is_unknown,
    is_unknown_composer,
    read_accompaniment,
    read_date,
    read_groove,
    read_instrument,
    read_key,
    read_number,
    read_pitch,
    read_process,
    read_time,
    says_more,
)
from pipeline.store.catalogue.player_cells import how_read, name_and_life, read_lives, read_players, sounds_beside
from pipeline.store.catalogue.problems import Problem, shown
from pipeline.store.catalogue.teacher_cells import read_teachers

_READERS = {
    "instrument": read_instrument,
    "year": read_date,
    "published": read_date,
    "key": read_key,
    "accompaniment": read_accompaniment,
    "process": read_process,
    "groove": read_groove,
    "rpm": read_number,
    "reference_pitch": read_pitch,
    "born": read_date,
    "died": read_date,
    "start": read_time,
    "end": read_time,
}
_DATES = ("year", "published", "born", "died")
_KEPT_UNKNOWN = ("accompaniment", "process", "groove", "composer")
"""Fields where a word such as unknown or anonymous may be an answer."""
_OF_A_DISC = ("player", "work", "composer", "composer_work", "matrix", "matrix_take", "label", "issue_number")
"""Fields of which a line that tells of a recording fills at least one."""
_MATRIX_AND_TAKE = r"(.*[0-9].*?)\s*(?:[-–/,]|\btake\b|\btk\b\.?)\s*([0-9]{1,2}[a-z]?|[ivx]{1,4}|[a-d])"
_IF_MORE = "write it into a column of notes if it says more than that"


@dataclass(frozen=True)
class Said:
    """A cell as it stands in a sheet."""

    sheet: str
    row: int
    heading: str
    cell: str


@dataclass
class Recording:
    """One side to be entered: its audio, and what the sheet says by field, in the catalogue's spelling.

    ``said``: the cells that the fields come from.
    """

    audio: AudioFile
    fields: dict[str, str] = field(default_factory=dict)
    row: int | None = None
    said: dict[str, Said] = field(default_factory=dict)


@dataclass
class Person:
    """What a sheet without files says of one player."""

    fields: dict[str, str]
    said: dict[str, Said]


@dataclass
class Lines:
    """What the lines of all sheets say.

    ``readings``: dates that were written in words, as (cell, EDTF).
    """

    recordings: list[Recording] = field(default_factory=list)
    people: list[Person] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    readings: list[tuple[Said, str]] = field(default_factory=list)


def read_lines(sheets: Sequence[Sheet], mapping: Mapping[str, str], files: list[AudioFile]) -> Lines:
    """Recordings of the lines of all sheets, and of files that no line names; lines without a file are problems.

    A sheet that names players but no files tells of people; one that names neither is passed over, and said to be.

    Raises
    ------
    DataError
        If no sheet has a heading for the audio file.
    """
    made = Lines()
    named: set[str] = set()
    of = {sheet.name: {mapping[h]: h for h in reversed(sheet.headings) if mapping.get(h)} for sheet in sheets}
    if not any("file" in heading_of for heading_of in of.values()):
        raise DataError(
            f"{sheets[0].name}: no heading means the audio file (headings: {', '.join(sheets[0].headings)})",
            'name one "file", or say in sheet/mapping.toml which one it is',
        )
    for sheet in sheets:
        for number, text in sheet.above:
            cure = "write it into settings.toml or a note if it matters"
            made.problems.append(Problem(sheet.name, number, "", text, "stands above the headings", cure, "remark"))
        reader = _LineReader(sheet, mapping, made)
        heading_of = of[sheet.name]
        if "file" not in heading_of and "player" in heading_of:
            made.people += [person for row in sheet.rows if (person := reader.person(row, heading_of["player"]))]
            reader.report()
            continue
        if "file" not in heading_of:
            message = f"passed over: no heading means the audio file or a player ({', '.join(sheet.headings)})"
            cure = "name one, or leave the sheet as it is"
            made.problems.append(Problem(sheet.name, None, "", "", message, cure, "remark"))
            continue
        for row in sheet.rows:
            audio = reader.audio(row, heading_of["file"], files)
            if audio is not None:
                named.add(audio.inside)
            if row.beyond:
                reader.shifted(row)
            elif audio is not None:
                fields, said = reader.fields(row)
                made.recordings.append(Recording(audio, fields, row.number, said))
        reader.report()
    made.recordings.extend(Recording(file) for file in files if file.inside not in named)
    return made


class _LineReader:
    """Reads the lines of one sheet; problems and readings go where the lines go."""

    def __init__(self, sheet: Sheet, mapping: Mapping[str, str], made: Lines) -> None:
        self.sheet, self.mapping, self.made = sheet, mapping, made
        self.iso = {h for h in sheet.headings if mapping.get(h) in _DATES and _is_iso(sheet, h)}
        self.unknown: dict[str, int] = {}
        self.joined: dict[str, list[Said]] = {}

    def report(self) -> None:
        """Says once of all lines what was read in a way that its owner should see."""
        for cell, places in self.joined.items():
            message, cure = how_read(cell) or ("", "")
            more = f" (and in {len(places) - 1} more)" if len(places) > 1 else ""
            where = (self.sheet.name, places[0].row, places[0].heading, cell)
            self.made.problems.append(Problem(*where, message + more, cure, "remark"))
        if self.unknown:
            cells = ", ".join(f"{cell} ({count})" for cell, count in self.unknown.items())
            message = "mean that nothing is known, so nothing is entered for them"
            self.made.problems.append(Problem(self.sheet.name, None, "cells", cells, message, _IF_MORE, "remark"))

    def shifted(self, row: SheetRow) -> None:
        """Leaves out a line that has more cells than there are headings."""
        message = "stands behind the last heading, so the cells before it may stand under wrong ones"
        cure = "put a cell that holds the separator into quotation marks, or give the last column a heading"
        place = (self.sheet.name, row.number, "", ", ".join(row.beyond))
        self.made.problems.append(Problem(*place, message, cure))

    def person(self, row: SheetRow, heading: str) -> Person | None:
        """What a line of a sheet of people says; a problem unless it names exactly one."""
        fields, said = self.fields(row)
        if len(read_players(fields.get("player", ""))) == 1:
            return Person(fields, said)
        message = "does not name exactly one person"
        cure = "give each a line of their own"
        cell = row.cells.get(heading, "")
        self.joined.pop(cell, None)
        self.made.problems.append(Problem(self.sheet.name, row.number, heading, cell, message, cure))
        return None

    def audio(self, row: SheetRow, heading: str, files: list[AudioFile]) -> AudioFile | None:
        """The file that a line names; a problem if it is none or several."""
        wanted = row.cells.get(heading, "")
        matches = matching(wanted, files) if wanted else []
        if len(matches) == 1:
            return matches[0]
        meant = {self.mapping[heading] for heading in row.cells}
        if not matches and not meant & set(_OF_A_DISC) and not re.search(r"\.\w{2,4}$", wanted):
            message, cure = "names no file and no disc, so it is passed over", "name its file if it is a recording"
            cells = ", ".join(row.cells.values())
            self.made.problems.append(Problem(self.sheet.name, row.number, "", cells, message, cure, "remark"))
            return None
        message = "names no file" if not wanted else "is not among the audio files given"
        cure = "fill it in" if not wanted else "mend the name, or give the file on the command line"
        if len(matches) > 1:
            message, cure = f"fits {len(matches)} files", "write the name with its ending and folder"
        self.made.problems.append(Problem(self.sheet.name, row.number, heading, wanted, message, cure))
        return None

    def fields(self, row: SheetRow) -> tuple[dict[str, str], dict[str, Said]]:
        """What a line says by field, and the cells behind; what is not understood goes into the note, and is said."""
        fields: dict[str, str] = {}
        said: dict[str, Said] = {}
        notes: list[str] = []
        others: list[str] = []
        several = self._several(row)
        for heading in self.sheet.headings:
            cell, meant = row.cells.get(heading, ""), self.mapping[heading]
            if meant in ("", "file") or not cell:
                continue
            answer = meant == "note" or (meant in _KEPT_UNKNOWN and re.search(r"[^\W\d_]{3}", cell))
            if is_unknown(cell) and not answer:
                self.unknown[cell] = self.unknown.get(cell, 0) + 1
                continue
            if meant == "note":
                known = means_note(heading)
                (notes if known else others).append(cell if known else f"{heading}: {cell}")
                continue
            here = Said(self.sheet.name, row.number, heading, cell)
            try:
                if several and meant in ("born", "died", "lives", "teachers"):
                    raise CellError("may be of either player", "write it into the catalogue")
                values = self._values(meant, heading, cell)
                for name, value in values:
                    if name in said and fields[name] != value:
                        message = f"is said otherwise under {said[name].heading} ({shown(said[name].cell)})"
                        raise CellError(message, "say in sheet/mapping.toml which of the two columns is meant")
                for name, value in values:
                    if name == "composer" and is_unknown_composer(value):
                        self.unknown[value] = self.unknown.get(value, 0) + 1
                        others.append(f"{heading}: {value}")
                        continue
                    fields[name], said[name] = value, here
                    if name in _DATES and value != cell and meant == name:
                        self.made.readings.append((here, value))
                if says_more(meant, cell):
                    others.append(f"{heading}: {cell}")
                if meant == "player" and how_read(cell):
                    self.joined.setdefault(cell, []).append(here)
            except CellError as error:
                message = f"{error.message}, so it goes into the note"
                place = (self.sheet.name, row.number, heading, cell)
                taken = f"; the column was taken for {meant}: if it is not, mend that in sheet/mapping.toml"
                self.made.problems.append(Problem(*place, message, error.cure + taken, "remark"))
                others.append(f"{heading}: {cell}")
            if meant == "player" and "instrument" not in fields:
                with suppress(CellError):  # a column headed "Violinist" says what is played
                    fields["instrument"] = read_instrument(heading)
        beside = sounds_beside(said["player"].cell) if "player" in said else ""
        if beside and (fields.setdefault("accompaniment", beside) != beside or "(" in said["player"].cell):
            others.append(f"{said['player'].heading}: {said['player'].cell}")
        if notes or others:
            fields["note"] = "; ".join([*notes, *others])
        return fields, said

    def _several(self, row: SheetRow) -> bool:
        """Whether a line names several soloists, so that a life or a teacher in it is nobody's for sure."""
        heading = next((h for h in self.sheet.headings if self.mapping[h] == "player"), "")
        try:
            return sum(one.role == "soloist" for one in read_players(row.cells.get(heading, ""))) > 1
        except CellError:
            return True

    def _values(self, meant: str, heading: str, cell: str) -> list[tuple[str, str]]:
        if meant in _DATES and heading in self.iso and re.fullmatch("[0-9]{4}-[0-9]{2}", cell):
            return [(meant, cell)]
        if meant == "lives":
            born, died = read_lives(cell)
            return [(name, value) for name, value in (("born", born), ("died", died)) if value]
        if meant == "composer_work":
            composer, sign, work = next(
                (cell.partition(sign) for sign in (": ", " – ", " — ", " - ", " / ") if sign in cell), ("", "", cell)
            )
            return [("composer", composer.strip()), ("work", work.strip())] if sign else [("work", cell)]
        if meant == "matrix_take":
            parts = re.fullmatch(_MATRIX_AND_TAKE, cell, re.IGNORECASE)
            return [("matrix", parts[1]), ("take", parts[2])] if parts else [("matrix", cell)]
        if meant == "teachers":
            read_teachers(cell)
        if meant == "player":
            if not read_players(cell):
                raise CellError("names nobody", "write a name")
            name, born, died = name_and_life(cell)
            return [("player", name), *(pair for pair in (("born", born), ("died", died)) if pair[1])]
        return [(meant, _READERS[meant](cell) if meant in _READERS else cell)]


def _is_iso(sheet: Sheet, heading: str) -> bool:
    """Whether a column writes years and months as ISO does, so that 1907-09 is a September."""
    for row in sheet.rows:
        cell = row.cells.get(heading, "")
        found = re.fullmatch("[0-9]{2}([0-9]{2})-([0-9]{2})(-[0-9]{2})?", cell)
        if found and (found[3] or found[2] <= found[1]) and "01" <= found[2] <= "12":
            return True
    return False
