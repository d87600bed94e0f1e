"""Turns audio files and the lines of a sheet into recordings: one a side, with the catalogue's spelling."""

import re
import unicodedata
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath, PureWindowsPath

from pipeline.errors import AudioError, DataError
from pipeline.store.adding.headings import means_note
from pipeline.store.adding.sheet import Sheet, SheetRow
from pipeline.store.audio.claims import read_claims
from pipeline.store.audio.decode import file_hash, sound_info
from pipeline.store.audio.kinds import is_audio
from pipeline.store.catalogue.cell_values import (
    CellError,
    read_accompaniment,
    read_date,
    read_groove,
    read_instrument,
    read_key,
    read_number,
    read_pitch,
    read_players,
    read_process,
    read_time,
)
from pipeline.store.catalogue.problems import Problem, shown

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
_UNKNOWN = ("?", "-", "–", "—")
_TAGS_SHOWN = (
    "work.title",
    "player.name",
    "work.composer",
    "side.label",
    "take.recorded",
    "transfer.turntable_rpm",
)


@dataclass
class AudioFile:
    """One audio file: where it is, where it will be (below audio/), and what it says of itself."""

    path: Path
    inside: str
    length_s: float
    sample_rate_hz: int
    says: str
    copied: bool


@dataclass
class Recording:
    """One side to be entered: its audio, and what the sheet says by field, in the catalogue's spelling."""

    audio: AudioFile
    fields: dict[str, str] = field(default_factory=dict)
    row: int | None = None


def find_audio(given: Iterable[Path], *, root: Path) -> tuple[list[Path], list[Problem]]:
    """Audio files named, or below folders named; without any, those already in the corpus's audio/.

    Beside them a remark for each kind of file that a folder holds and that is passed over.

    Raises
    ------
    DataError
        If a path does not exist.
    """
    found: dict[Path, None] = {}
    passed: dict[str, list[str]] = {}
    for path in [*given] or [root / "audio"]:
        if path.is_dir():
            for inside in sorted(p for p in path.rglob("*") if p.is_file() and not p.name.startswith(".")):
                if is_audio(inside):
                    found[inside] = None
                else:
                    passed.setdefault(inside.suffix.casefold(), []).append(inside.name)
        elif path.exists():
            found[path] = None
        else:
            raise DataError(f"{path}: there is no such audio file; look at the name, or give the folder")
    return list(found), [_passed_over(suffix, names) for suffix, names in sorted(passed.items())]


def _passed_over(suffix: str, names: list[str]) -> Problem:
    kind = f"of kind {suffix}" if suffix else "without an ending"
    files = names[0] if len(names) == 1 else f"{len(names)} files {kind} ({names[0]}, …)"
    message = "passed over: neither its name nor its content is that of a sound file"
    if len(names) > 1:
        message = "passed over: neither their names nor their content are those of sound files"
    return Problem(files, None, "", "", message, "name the file itself if it is sound after all", "remark")


def look_at_audio(paths: Iterable[Path], *, root: Path) -> tuple[list[AudioFile], list[Problem]]:
    """What each file says of itself and where it goes below audio/; files that cannot be used are problems.

    A file outside audio/ is to be copied there. Where another file of that name is there, the copy gets a number;
    where the very same file is there, that one is used.
    """
    audio = (root / "audio").resolve()
    files: list[AudioFile] = []
    problems: list[Problem] = []
    going: dict[str, Path] = {}
    for path in paths:
        try:
            info = sound_info(path)
            resolved = path.resolve()
            inside = resolved.is_relative_to(audio)
            place = resolved.relative_to(audio).as_posix() if inside else _free_place(path, audio, going)
        except AudioError as error:
            message, _, cure = str(error).removeprefix(f"{path.name}: ").rpartition("; ")
            problems.append(Problem(path.name, None, "", "", message, cure))
            continue
        going[_plain(place)] = path
        problems += [Problem(path.name, None, "", "", text, "look at it", "remark") for text in info.remarks]
        claims = [c for c in read_claims(path) if c.about in _TAGS_SHOWN]
        says = "; ".join(f"{c.field}: {shown(c.value, longest=60)}" for c in claims)
        copied = not inside and not (audio / place).exists()
        files.append(AudioFile(path, place, info.length_s, info.sample_rate_hz, says, copied))
    return files, problems


def _free_place(path: Path, audio: Path, going: Mapping[str, Path]) -> str:
    number = 1
    while True:
        name = path.name if number == 1 else f"{path.stem}-{number}{path.suffix}"
        there = audio / name
        other = going.get(_plain(name)) or (there if there.exists() else None)
        if other is None or (other.stat().st_size == path.stat().st_size and file_hash(other) == file_hash(path)):
            return name
        number += 1


def read_recordings(
    sheet: Sheet, mapping: Mapping[str, str], files: list[AudioFile]
) -> tuple[list[Recording], list[Problem]]:
    """Recordings of the sheet's lines, and of files that no line names; lines without a file are problems."""
    problems: list[Problem] = []
    recordings: list[Recording] = []
    named: set[str] = set()
    heading_of = {meant: heading for heading, meant in mapping.items() if meant}
    if "file" not in heading_of:
        raise DataError(
            f"{sheet.name}: no heading means the audio file (headings: {', '.join(sheet.headings)}); "
            'name one "file", or say in sheet/mapping.toml which one it is'
        )
    for row in sheet.rows:
        wanted = row.cells.get(heading_of["file"], "")
        matches = _matching(wanted, files) if wanted else []
        if len(matches) != 1:
            message = "names no file" if not wanted else "is not among the audio files given"
            cure = "fill it in" if not wanted else "mend the name, or give the file on the command line"
            if len(matches) > 1:
                message, cure = f"fits {len(matches)} files", "write the name with its ending and folder"
            problems.append(Problem(sheet.name, row.number, heading_of["file"], wanted, message, cure))
            continue
        named.add(matches[0].inside)
        recordings.append(_recording(sheet, row, mapping, matches[0], problems))
    recordings.extend(Recording(file) for file in files if file.inside not in named)
    return recordings, problems


def _recording(
    sheet: Sheet, row: SheetRow, mapping: Mapping[str, str], audio: AudioFile, problems: list[Problem]
) -> Recording:
    made = Recording(audio, row=row.number)
    notes: list[str] = []
    others: list[str] = []
    several = sum(len(read_players(row.cells.get(h, ""))) for h, meant in mapping.items() if meant == "player") > 1
    for heading, meant in mapping.items():
        cell = row.cells.get(heading, "")
        if meant in ("", "file") or not cell or (meant != "note" and cell in _UNKNOWN):
            continue
        if meant == "note":
            (notes if means_note(heading) else others).append(cell if means_note(heading) else f"{heading}: {cell}")
            continue
        try:
            if several and meant in ("born", "died"):
                raise CellError("may be of either player; write it into player.csv")
            made.fields[meant] = _READERS[meant](cell) if meant in _READERS else cell
        except CellError as error:
            message, _, cure = str(error).partition("; ")
            message = f"{message}, so it goes into the note"
            problems.append(Problem(sheet.name, row.number, heading, cell, message, cure, "remark"))
            others.append(f"{heading}: {cell}")
        if meant == "player" and "instrument" not in made.fields:
            with suppress(CellError):  # a column headed "Violinist" says what is played
                made.fields["instrument"] = read_instrument(heading)
    if notes or others:
        made.fields["note"] = "; ".join([*notes, *others])
    return made


def _matching(wanted: str, files: list[AudioFile]) -> list[AudioFile]:
    name = _plain(PureWindowsPath(wanted).as_posix())
    last = PurePosixPath(name).name
    for hits in (
        [file for file in files if _plain(file.inside) == name],
        [file for file in files if last in (_plain(file.path.name), _plain(PurePosixPath(file.inside).name))],
        [file for file in files if _plain(file.path.stem) == last],
        [file for file in files if _loose(file.path.name) == _loose(last)],
    ):
        if hits:
            return hits
    return []


def _plain(text: str) -> str:
    return unicodedata.normalize("NFC", text).casefold()


def _loose(text: str) -> str:
    """Without what a spreadsheet changes by itself: runs of spaces, straight quotation marks, dashes."""
    return " ".join(re.findall(r"\w+", _plain(text)))
