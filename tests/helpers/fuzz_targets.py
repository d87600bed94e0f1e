"""What is fuzzed: each target takes any bytes and must end quietly or with one of our own errors.

``test_fuzz.py`` drives the targets by hypothesis, ``fuzz_on_demand.py`` by atheris.
"""

import contextlib
import io
import tempfile
import zipfile
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from unittest import mock

import duckdb

from pipeline.errors import GlidelineError
from pipeline.settings import Settings, read_settings
from pipeline.store import schema
from pipeline.store.adding import merge
from pipeline.store.adding.headings import mapping_content, match_headings, read_mapping, recognised
from pipeline.store.adding.reviews import take_in
from pipeline.store.adding.sheet import read_sheets
from pipeline.store.audio import chunks, claims
from pipeline.store.audio.whole_sound import read_sound, sound_info
from pipeline.store.catalogue import cell_values
from pipeline.store.catalogue.player_cells import name_and_life, read_players
from pipeline.store.catalogue.teacher_cells import read_teachers
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import find_view, lock, rows_of, run_sql
from pipeline.store.parts import engraved as engraved_parts
from pipeline.store.parts.played import played
from pipeline.store.parts.read import read_part
from pipeline.store.schema.date_hints import edtf_of
from pipeline.store.schema.dates import DateError, parse_date

ROOM = Path(tempfile.gettempdir())


@contextlib.contextmanager
def _file(content: bytes, name: str):  # type: ignore[no-untyped-def]
    with tempfile.TemporaryDirectory(dir=ROOM) as room:
        path = Path(room) / name
        path.write_bytes(content)
        yield path


def sound_header(content: bytes) -> None:
    """Audio of any kind, told by its first bytes: form, claims, what is missing, and the samples."""
    with _file(content, "a.wav") as path:
        for claim in claims.read_claims(path):
            assert claim.value
            assert len(claim.value) <= claims.LONGEST_VALUE
        with path.open("rb") as file:
            chunks.shortfall(file)
        with contextlib.suppress(GlidelineError):
            info = sound_info(path)
            assert info.frames > 0
            heard = read_sound(path, channel_rule="left", end_s=min(1.0, info.length_s))
            assert 8_000 <= heard.sample_rate_hz <= 192_000
            assert heard.samples.ndim == 1


def broadcast_chunk(content: bytes) -> None:
    """The content of a bext chunk."""
    for claim in claims.read_bext(content):
        assert claim.field
        assert claim.value.isprintable() or "\n" in claim.value or "\r" in claim.value


def settings(content: bytes) -> None:
    """``settings.toml``."""
    with _file(content, "settings.toml") as path, contextlib.suppress(GlidelineError):
        assert isinstance(read_settings(path), Settings)


def sheet(content: bytes) -> None:
    """A sheet as CSV, its headings matched, and the matches written and read again."""
    with _file(content, "a.csv") as path, contextlib.suppress(GlidelineError):
        read = read_sheets(path, recognised=partial(recognised, kept={}))[0]
        mapping = match_headings(read.headings, kept={}, in_two=read.in_two)
        path.with_name("mapping.toml").write_bytes(mapping_content(mapping))
        assert read_mapping(path.with_name("mapping.toml")) == mapping


def workbook(content: bytes) -> None:
    """A sheet as XLSX."""
    with _file(content, "a.xlsx") as path, contextlib.suppress(GlidelineError):
        assert all(one.headings for one in read_sheets(path, recognised=partial(recognised, kept={})))


def date(content: bytes) -> None:
    """A date as EDTF; its bounds are in order."""
    text = content.decode("utf-8", "replace")
    if (meant := edtf_of(text)) is not None:
        parse_date(meant)
    with contextlib.suppress(DateError):
        read = parse_date(text)
        if read.earliest is not None and read.latest is not None:
            assert read.earliest <= read.latest
            assert read.padded_earliest is None or read.padded_earliest <= read.earliest
            assert read.padded_latest is None or read.padded_latest >= read.latest


def person(content: bytes) -> None:
    """Cells of a sheet that name players, teachers and their lives."""
    text = content.decode("utf-8", "replace")
    for read in (read_players, read_teachers):
        with contextlib.suppress(cell_values.CellError):
            assert all(one.name.strip() for one in read(text))
    with contextlib.suppress(cell_values.CellError):
        name, born, died = name_and_life(text)
        assert name or not born + died


def cell(content: bytes) -> None:
    """Cells of a sheet that tell numbers, pitches, times, keys, accompaniments and parts."""
    text = content.decode("utf-8", "replace")
    for read in (
        cell_values.read_date,
        cell_values.read_number,
        cell_values.read_pitch,
        cell_values.read_time,
        cell_values.read_key,
        cell_values.read_accompaniment,
        cell_values.read_part,
        cell_values.read_beside,
    ):
        with contextlib.suppress(cell_values.CellError):
            assert isinstance(read(text), str)


@cache
def reviewed() -> tuple[tempfile.TemporaryDirectory[str], Corpus]:
    room = tempfile.TemporaryDirectory(dir=ROOM)
    root = Path(room.name) / "corpus"
    (root / "catalogue").mkdir(parents=True)
    (root / "catalogue" / "transfer.csv").write_text("transfer_id,side_id,file\nt1,s1,one.wav\n")
    (root / "catalogue" / "side.csv").write_text("side_id\ns1\n")
    return room, Corpus(root)


def verdicts(content: bytes) -> None:
    """Verdicts taken in; only ``reviews/<listener>.csv`` may come of it."""
    room, corpus = reviewed()
    with _file(content, "v.csv") as path, contextlib.suppress(GlidelineError):
        done = take_in(corpus, path)
        assert set(done.added) <= {p.stem for p in corpus.root.glob("reviews/*.csv")}
    assert [p.name for p in Path(room.name).iterdir()] == ["corpus"]
    assert {p.name for p in corpus.root.iterdir()} <= {"catalogue", "reviews", "derived"}  # the lock is kept in derived
    for path in corpus.root.glob("reviews/*"):
        assert path.suffix == ".csv"
        path.unlink()


def package_folder(content: bytes) -> None:
    """A table of a package, and its descriptor."""
    descriptor, _, table = content.partition(b"\x00")
    with tempfile.TemporaryDirectory(dir=ROOM) as room:
        (Path(room) / "p" / "catalogue").mkdir(parents=True)
        (Path(room) / "p" / "datapackage.json").write_bytes(descriptor)
        (Path(room) / "p" / "catalogue" / "player.csv").write_bytes(table)
        _taken_in(Path(room), Path(room) / "p")


def package_zip(content: bytes) -> None:
    """A zip as it comes."""
    with _file(content, "p.zip") as path:
        _taken_in(path.parent, path)


def _taken_in(room: Path, source: Path) -> None:
    before = {path.name for path in room.iterdir()}
    with contextlib.suppress(GlidelineError):
        tables = _read(source)
        for name, rows in tables.items():
            relation = schema.load(name)
            assert all(set(row) == {column.name for column in relation.written_columns} for row in rows)
    assert {path.name for path in room.iterdir()} == before


def _read(source: Path) -> dict[str, list[dict[str, str]]]:
    with merge._opened(source) as folder:
        merge._title(merge._described(folder))
        return merge._read(folder)


@cache
def _database() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute("set threads = 1").fetchall()
    con.execute("set memory_limit = '200MB'").fetchall()
    con.execute("create schema summary").fetchall()
    relation = find_view("missing_or_doubtful")
    names = ", ".join(f'"{column.name}" varchar' for column in relation.columns)
    con.execute(f'create table summary."{relation.name}" ({names})').fetchall()
    lock(con)
    return con


def sql(content: bytes) -> None:
    """``--sql``; the database and the disk stay as they are."""
    with contextlib.suppress(GlidelineError):
        run_sql(_database(), content.decode("utf-8", "surrogateescape"))


def condition(content: bytes) -> None:
    """``--where``."""
    with contextlib.suppress(GlidelineError):
        rows_of(
            _database(), find_view("missing_or_doubtful"), where=content.decode("utf-8", "surrogateescape") or "true"
        )


def score(content: bytes) -> None:
    """A written part as MusicXML."""
    with _file(content, "a.musicxml") as path, contextlib.suppress(GlidelineError):
        part = read_part(path, strings=("G", "D", "A", "E"))
        assert part.notes
        assert set(played(part.last_event, part.ways)) <= {note.event for note in part.notes}


def midi(content: bytes) -> None:
    """A written part as MIDI."""
    with _file(content, "a.mid") as path, contextlib.suppress(GlidelineError):
        assert read_part(path, strings=("G", "D", "A", "E")).notes


def note_table(content: bytes) -> None:
    """A written part as a table of notes."""
    with _file(content, "a.csv") as path, contextlib.suppress(GlidelineError):
        assert read_part(path, strings=("G", "D", "A", "E")).notes


def engraved(content: bytes) -> None:
    """A written part as the MEI that verovio makes of a file, whose notes n1 to n9 follow each other."""
    names = [f"n{number}" for number in range(1, 10)]
    times = [{"qstamp": at, "on": [name], "off": names[max(at - 1, 0) : at]} for at, name in enumerate(names)]
    answer = {"mei": content.decode("utf-8", "replace"), "times": times, "pitches": dict.fromkeys(names, 69)}
    with (
        mock.patch.object(engraved_parts, "ask", return_value=answer),
        _file(b"", "a.mei") as path,
        contextlib.suppress(GlidelineError),
    ):
        part = read_part(path, strings=("G", "D", "A", "E"))
        assert set(played(part.last_event, part.ways)) <= {note.event for note in part.notes}


def zipped(entries: list[tuple[str, bytes]]) -> bytes:
    """A zip of these entries."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as file:
        for name, content in entries:
            file.writestr(zipfile.ZipInfo(name), content)
    return made.getvalue()


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__: target
    for target in (
        sound_header, broadcast_chunk, settings, sheet, workbook, date, verdicts, package_folder, package_zip, sql,
        condition, score, midi, note_table, engraved, person, cell,
    )
}  # fmt: skip
