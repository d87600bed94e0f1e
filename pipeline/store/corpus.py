"""The corpus folder: finds, reads and writes one table of one transfer, checked, atomically and always alike."""

import hashlib
import re
from collections.abc import Mapping
from functools import cache, cached_property
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline import resources
from pipeline.errors import DataError, no_such_folder, typed
from pipeline.settings import Settings, read_settings
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.files.changes import settle
from pipeline.store.files.durable import replacing_all
from pipeline.store.files.paths import PARTS, leads_out, links

ROW_GROUP_ROWS = 131_072
_ID = re.compile(schema.ID_PATTERN)


class Corpus:
    """One corpus folder; a change of hand-kept files that was cut short is finished or undone first.

    Raises
    ------
    DataError
        If ``root`` is not a folder, has neither ``catalogue/`` nor ``settings.toml``, or has one of its own parts
        linked to somewhere else: a corpus that comes from a stranger must not reach out of its folder.
    """

    def __init__(self, root: Path | str) -> None:
        self.root = Path(root)
        self._inside: set[Path] = set()
        if self.root.is_file():
            raise DataError(f"{self.root}: is a file", "give the folder of a corpus")
        if not self.root.is_dir():
            raise no_such_folder(self.root)
        if not (self.root / "catalogue").is_dir() and not (self.root / "settings.toml").is_file():
            raise DataError(
                f"{self.root}: is not a corpus (no catalogue/)", f"`glideline new {typed(self.root)}` makes one"
            )
        parts = [self.root / name for name in PARTS]
        for path in [*parts, *links(self.derived, deep=2)]:
            if leads_out(path, root=self.root):
                named = self.relative(path)
                raise DataError(
                    f"{self.root}: {named} is a link that leads out of the corpus", "put the real one in its place"
                )
        settle(self.root)

    @cached_property
    def settings(self) -> Settings:
        """Settings of the corpus, from ``settings.toml``; raises DataError naming every wrong line."""
        return read_settings(self.root / "settings.toml")

    @cached_property
    def catalogue(self) -> Catalogue:
        """The hand-kept tables."""
        return Catalogue(self.root)

    @property
    def derived(self) -> Path:
        """Folder of everything that can be rebuilt."""
        return self.root / "derived"

    def path(self, table: str, transfer_id: str) -> Path:
        """Where a computed table of one transfer (or of "corpus") lies."""
        computed(table)
        if not _ID.fullmatch(transfer_id):
            raise DataError(f"{transfer_id!r} is not an id", f"ids are {schema.ID_WORDS}")
        folder = self.derived / "tables" / table
        if folder not in self._inside:
            if leads_out(folder, root=self.root):
                raise DataError(f"{self.relative(folder)} is a link that leads out of the corpus", "delete it")
            self._inside.add(folder)
        return folder / f"{transfer_id}.parquet"

    def read(self, table: str, transfer_id: str, *, sha256: str | None = None) -> pl.DataFrame | None:
        """The table of one transfer, or None if it has not been written, or does not have the hash ``sha256``.

        Raises
        ------
        DataError
            If the file is damaged, or lacks a column that an earlier version did not write.
        """
        found = self.read_arrow(table, transfer_id, sha256=sha256)
        if found is None:
            return None
        lacking = [name for name in computed(table).arrow_schema().names if name not in found.column_names]
        if lacking:
            message = f"was written by another version of Glideline (it has no {lacking[0]})"
            cure = f"measure it anew with: glideline run {typed(self.root)}"
            raise DataError(message, cure, self.relative(self.path(table, transfer_id)))
        return pl.DataFrame(pl.from_arrow(found))

    def read_arrow(self, table: str, transfer_id: str, *, sha256: str | None = None) -> pa.Table | None:
        """As ``read``, as it is on disk."""
        path = self.path(table, transfer_id)
        try:
            content = path.read_bytes()
        except FileNotFoundError:
            return None
        if sha256 is not None and hashlib.sha256(content).hexdigest() != sha256:
            return None
        try:
            return read_parquet(pa.BufferReader(content))  # one reader with the writer, so one type
        except (pa.ArrowException, OSError) as error:
            raise DataError(f"{self.relative(path)}: is damaged ({error})", "delete it and run again") from error

    def write(self, table: str, transfer_id: str, frame: pl.DataFrame) -> Path:
        """Writes one table of one transfer; see ``write_all``."""
        self.write_all(transfer_id, {table: frame})
        return self.path(table, transfer_id)

    def write_all(self, transfer_id: str, frames: Mapping[str, pl.DataFrame]) -> dict[str, pa.Table]:
        """Writes tables of one transfer: each checked against its schema, sorted by key, and moved into place.

        None is moved before all are written. Gives them as ``read_arrow`` would.

        Raises
        ------
        DataError
            If a frame breaks its schema.
        """
        written = {table: computed(table).arrow(frame) for table, frame in frames.items()}
        with replacing_all([self.path(table, transfer_id) for table in written]) as parts:
            for table, part in zip(written.values(), parts, strict=True):
                write_parquet(table, part)
        return written

    def audio_path(self, file: str) -> Path:
        """Path of a transfer's audio file.

        Raises
        ------
        DataError
            If the path is absolute or leads out of ``audio/``, be it by ``..`` or by a link.
        """
        cure = "write the path below audio/, with forward slashes, and put the file there"
        inside = self.root / "audio"
        parts = Path(file).parts
        if "\\" in file or ":" in file or Path(file).is_absolute() or ".." in parts or "\x00" in file or not parts:
            raise DataError("is not a path below audio/", cure, file)
        path = inside / file
        if path.parent not in self._inside:
            if leads_out(path.parent, root=inside):
                raise DataError("leads out of audio/ by a link", cure, file)
            self._inside.add(path.parent)
        if path.is_symlink() and leads_out(path, root=inside):
            raise DataError("leads out of audio/ by a link", cure, file)
        return path

    def relative(self, path: Path) -> str:
        """``path`` as seen from the corpus folder, with forward slashes."""
        return path.relative_to(self.root).as_posix()


@cache
def computed(table: str) -> schema.Relation:
    """The computed table of that name.

    Raises
    ------
    DataError
        If there is none.
    """
    for layer in ("base", "result"):
        if (resources.folder("schemas") / layer / f"{table}.toml").is_file():
            return schema.load(table, layer)
    return schema.load(table)


def read_parquet(source: Path | pa.BufferReader) -> pa.Table:
    """Reads a Parquet file and holds it against its checksums.

    In this thread alone: a program that ends soon after pyarrow's own threads have begun may end in ``terminate
    called without an active exception`` (seen with pyarrow 26, up to one time in five).
    """
    return pq.ParquetFile(source, page_checksum_verification=True).read(use_threads=False)


def write_parquet(table: pa.Table, path: Path) -> None:
    """Writes with fixed settings, so that the same rows give the same bytes.

    Measured numbers hardly ever repeat: without a dictionary, and with their bytes split by place, a table of frames
    is written in a third of the time and a third smaller.
    """
    words = [field.name for field in table.schema if pa.types.is_string(field.type)]
    measured = [field.name for field in table.schema if pa.types.is_floating(field.type)]
    pq.write_table(
        table.replace_schema_metadata(None),
        path,
        row_group_size=ROW_GROUP_ROWS,
        compression="zstd",
        compression_level=3,
        use_dictionary=words,
        column_encoding=dict.fromkeys(measured, "BYTE_STREAM_SPLIT"),
        write_statistics=True,
        write_page_checksum=True,
        version="2.6",
        data_page_version="1.0",
        store_schema=True,
    )
