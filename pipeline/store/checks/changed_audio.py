"""What was decided or heard on one set of samples, and waits because the samples are others now."""

from collections import Counter
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import DataError, GlidelineError
from pipeline.store.audio.whole_sound import file_hash, samples_hash, sound_info
from pipeline.store.checks.findings import Findings
from pipeline.store.corpus import Corpus


class Hashes:
    """Hashes of a corpus's audio: those that runs have noted, and those computed when asked for."""

    def __init__(self, corpus: Corpus) -> None:
        self.corpus = corpus
        self._noted: dict[str, list[dict[str, Any]]] = {}
        self._samples: dict[Path, str | None] = {}

    def was_read(self, transfer_id: str) -> bool:
        """Whether a run has already decoded the transfer and found it usable."""
        rows = self._rows(transfer_id)
        return any(row["step"] == "intake" and row["outcome"] == "done" for row in rows)

    def ran_on(self, transfer_id: str) -> str | None:
        """Hash of the samples that the last run has noted; None if there was none."""
        return next((r["samples_sha256"] for r in self._rows(transfer_id) if r["samples_sha256"]), None)

    def noted(self, transfer_id: str) -> tuple[str | None, str | None]:
        """(hash of samples, hash of file) by the last run, or by transfer.csv; None where neither tells."""
        row = self.corpus.catalogue.row("transfer", transfer_id) or {}
        samples = self.ran_on(transfer_id)
        file = next((r["file_sha256"] for r in self._rows(transfer_id) if r.get("file_sha256")), None)
        return samples or row.get("samples_sha256"), file

    def now(self, transfer_id: str) -> str | None:
        """Hash of the samples as the file is now; None if it cannot be read."""
        row = self.corpus.catalogue.row("transfer", transfer_id)
        if row is None:
            return None
        try:
            return self._hash(self.corpus.audio_path(row["file"]))
        except DataError:
            return None

    def length_s(self, transfer_id: str) -> float | None:
        """How long the file plays, by its own word; None if it cannot be read."""
        row = self.corpus.catalogue.row("transfer", transfer_id)
        try:
            return None if row is None else sound_info(self.corpus.audio_path(row["file"])).length_s
        except GlidelineError:
            return None

    def find(self, transfer_id: str, files: list[str]) -> str | None:
        """The one of ``files`` (paths below audio/) that holds the sound the transfer had; None if none does."""
        samples, file = self.noted(transfer_id)
        if samples is None and file is None:
            return None
        for name in files:
            path = self.corpus.root / "audio" / name
            try:
                if (file is not None and file_hash(path) == file) or (samples and self._hash(path) == samples):
                    return name
            except DataError:
                continue
        return None

    def _hash(self, path: Path) -> str | None:
        if path not in self._samples:
            try:
                self._samples[path] = samples_hash(path)
            except DataError:
                self._samples[path] = None
        return self._samples[path]

    def _rows(self, transfer_id: str) -> list[dict[str, Any]]:
        if transfer_id not in self._noted:
            try:
                frame = self.corpus.read("run", transfer_id)
            except DataError:
                frame = None
            self._noted[transfer_id] = [] if frame is None else frame.to_dicts()
        return self._noted[transfer_id]


MOST_OF_ONE_SIZE = 20
"""More files of one size are not compared: where all are cut to one length, reading them takes too long (judgement)."""
TWIN_CURE = "keep one of the two rows in transfer.csv, or a performance counts twice"


def twin_words(file: str, transfer_id: str) -> str:
    """What is said of a transfer with the very same sound as an earlier one, whose file and id are given."""
    return f"holds the very same sound as {file} ({transfer_id})"


def check_twins(found: Findings, hashes: Hashes, *, listen: bool) -> None:
    """Names transfers of different files with the very same sound.

    ``listen``: also decode what no run has heard, where another file plays as long.
    """
    transfers = found.catalogue.rows("transfer")
    sounds = {row["transfer_id"]: hashes.ran_on(row["transfer_id"]) for row in transfers}
    if listen and None in sounds.values():
        lengths = {row["transfer_id"]: hashes.length_s(row["transfer_id"]) for row in transfers}
        several = {length for length, number in Counter(lengths.values()).items() if number > 1 and length is not None}
        unheard = [t for t, sound in sounds.items() if sound is None and lengths[t] in several]
        sounds |= {transfer_id: hashes.now(transfer_id) for transfer_id in unheard}
    first: dict[str, dict[str, Any]] = {}
    for transfer in transfers:
        samples = sounds[transfer["transfer_id"]]
        if samples is None:
            continue
        twin = first.setdefault(samples, transfer)
        if twin["file"].casefold() != transfer["file"].casefold():
            found.remark("transfer", transfer, "file", twin_words(twin["file"], twin["transfer_id"]), TWIN_CURE)


def check_waiting(found: Findings, hashes: Hashes) -> None:
    """Names decisions, passages, verdicts and marks that were made for other samples than the file has now."""
    what = {
        "transfer": "the row was written for other sound",
        "speed_decision": "the decision was made for other sound, and waits",
        "passage": "the passage was marked on other sound, and waits",
        "review": "the verdict was given on other sound, and waits",
        "mark": "the mark was made on other sound, and waits",
    }
    for table, message in what.items():
        rows = found.catalogue.placed(table)
        heard = rows.select("transfer_id", "samples_sha256").drop_nulls().unique(maintain_order=True)
        now = heard.with_columns(now=pl.Series([hashes.now(t) for t in heard["transfer_id"]], dtype=pl.String()))
        other = now.filter(pl.col("now") != pl.col("samples_sha256"))
        for row in rows.join(other, on=["transfer_id", "samples_sha256"]).iter_rows(named=True):
            cure = f"listen again; if it still holds, write {row['now']}"
            found.remark(table, row, "samples_sha256", message, cure)
