"""The rows of ``run`` and the tables that belong to them, kept in step for one transfer at a time; and tables whole."""

from collections.abc import Iterable, Mapping
from pathlib import Path

from pipeline.steps.base import AnyStep
from pipeline.store.corpus import Corpus
from pipeline.store.files.durable import sync_folder
from pipeline.store.provenance import RunRow, frame_of, hash_bytes_of, rows_of


class RunRows:
    """Reads and writes the ``run`` table of transfers, and takes away tables whose row goes."""

    def __init__(self, corpus: Corpus, steps: Iterable[AnyStep]) -> None:
        self.corpus = corpus
        self.order = {step.name: number for number, step in enumerate(steps)}

    def rows(self, transfer_id: str) -> dict[str, RunRow]:
        """Step -> row, as they stand on disk."""
        return rows_of(self.corpus.read("run", transfer_id))

    def keep(self, transfer_id: str, rows: Mapping[str, RunRow]) -> None:
        """Writes all rows of a transfer."""
        self.corpus.write("run", transfer_id, frame_of(rows.values()))

    def forget(self, rows: Mapping[str, RunRow], transfer_id: str, step: str) -> dict[str, RunRow]:
        """Takes a step's row away before its tables are written anew; gives the others."""
        kept = {name: row for name, row in rows.items() if name != step}
        if len(kept) < len(rows):
            self.keep(transfer_id, kept)
        return kept

    def fail(self, rows: Mapping[str, RunRow], row: RunRow) -> dict[str, RunRow]:
        """Writes a failed row; rows and tables of that step and of all later ones are out of date and go."""
        rows = dict(rows)
        late = [name for name in rows if self.order.get(name, -1) >= self.order[row.step]]
        gone = [table for name in late for table in rows.pop(name).output_hashes]
        rows[row.step] = row
        self.keep(row.transfer_id, rows)
        for table in gone:
            self.corpus.path(table, row.transfer_id).unlink(missing_ok=True)
        return rows

    def disown(self, rows: Mapping[str, RunRow], transfer_id: str, table: str) -> dict[str, RunRow]:
        """Takes a damaged table and the row that wrote it away; gives the other rows."""
        owner = next((row.step for row in rows.values() if table in row.output_hashes), "")
        self.corpus.path(table, transfer_id).unlink(missing_ok=True)
        return self.forget(rows, transfer_id, owner)

    def intact(self, row: RunRow, *, thorough: bool) -> bool:
        """Whether the row's tables are there; if ``thorough``, with the bytes that they had."""
        for table, sha256 in row.output_hashes.items():
            path = self.corpus.path(table, row.transfer_id)
            if not path.exists() or (thorough and hash_bytes_of(path) != sha256):
                return False
        return True

    def set_aside(self, transfer_id: str, *, label: str) -> None:
        """Moves all tables of a transfer to ``derived/stale/<transfer_id>/<label>/``, its rows first."""
        folder = self.corpus.derived / "stale" / transfer_id / label
        folder.mkdir(parents=True, exist_ok=True)
        tables = {"run"} | {table for row in self.rows(transfer_id).values() for table in row.output_hashes}
        for table in sorted(tables, key=lambda name: (name != "run", name)):
            _move(self.corpus.path(table, transfer_id), folder / f"{table}.parquet")
        sync_folder(folder)


def _move(old: Path, new: Path) -> None:
    if old.exists():
        old.replace(new)
        sync_folder(old.parent)
