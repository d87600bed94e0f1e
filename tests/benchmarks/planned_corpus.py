"""A corpus as a finished run leaves it, as far as looking at what must be done goes: names, sizes, times and hashes.

Nothing is measured: audio and tables are empty files, and only the rows of ``run`` say anything. So a hundred thousand
transfers are made in minutes, and the real ``status`` and ``run`` find nothing to do. ``make_asked`` fills compacted
tables too, for questions.
"""

import os
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa

from pipeline.engine.clear_up import SeenFile
from pipeline.engine.damage import table_files
from pipeline.engine.jobs import Brief, Report, Seen
from pipeline.engine.planner import Planner
from pipeline.engine.up_to_date import note
from pipeline.flows.run import plan, run
from pipeline.steps.base import AnyStep
from pipeline.steps.order import STEPS
from pipeline.steps.scopes import CORPUS, WHOLE
from pipeline.store.corpus import Corpus, computed, write_parquet
from pipeline.store.database.build import build_database
from pipeline.store.database.compaction import compact
from pipeline.store.provenance import RunRow, frame_of, hash_text
from tests.benchmarks.simulated_steps import made
from tests.helpers.tone_corpus import write_catalogue

FIRST = "s000000-a"
Rows = Callable[[str, list[str]], pl.DataFrame]
"""Rows of a table for these transfers."""


def _empty(table: str, _: list[str]) -> pl.DataFrame:
    return computed(table).empty()


def make_planned(root: Path, *, transfers: int) -> Path:
    """A corpus of so many transfers, each a side of one take, up to date."""
    planner = _stages_done(root, transfers, _empty)
    corpus = planner.corpus
    for step in planner.corpus_steps:
        _done(planner, len(planner.stages), step, *WHOLE)
    build_database(corpus, compact(corpus, spread=_spread(planner, _empty)))
    planner.files = table_files(corpus, STEPS)
    note(planner)
    return root


def make_asked(root: Path, *, transfers: int) -> Path:
    """The same with forty rows a transfer in each compacted table; a real run adds the summaries and the database.

    The tables that are not compacted are there for the first transfer alone, ``FIRST``.
    """
    _stages_done(root, transfers, made)
    run(root)
    return root


def _stages_done(root: Path, transfers: int, rows: Rows) -> Planner:
    """A corpus whose steps on transfers and sessions are done, and its tables compacted, with these rows."""
    for folder in ("audio", "catalogue", "reviews", "derived"):
        (root / folder).mkdir(parents=True)
    (root / "settings.toml").write_text('title = "made"\n', encoding="utf-8")
    names = [f"s{number:06d}" for number in range(transfers)]
    write_catalogue(root, names, session_of=4)
    corpus = Corpus(root)
    SeenFile(corpus).add({f"{name}.wav": _heard(root / "audio" / f"{name}.wav") for name in names})
    planner = plan(corpus, STEPS, until=None, only=None)
    planner.prepare()
    for stage, steps in enumerate(planner.stages):
        for unit_id, members, _ in list(planner.due(stage)):
            for step in steps:
                _done(planner, stage, step, unit_id, members)
    for table in (*_written(planner), "run"):
        write_parquet(_frame(planner, rows, table, [FIRST]), corpus.path(table, FIRST))
    compact(corpus, spread=_spread(planner, rows))
    return planner


def _written(planner: Planner) -> list[str]:
    """What the steps on transfers and sessions write."""
    return [table for steps in planner.stages for step in steps for table in step.writes]


def _frame(planner: Planner, rows: Rows, table: str, transfers: list[str]) -> pa.Table:
    """The rows of a table, those of ``run`` as the planner knows them."""
    if table == "run":
        frame = frame_of([_row(t, name, row) for t in transfers for name, row in planner.book[t].items()])
    else:
        frame = rows(table, transfers)
    return frame.to_arrow().cast(computed(table).arrow_schema())


def _heard(path: Path) -> Seen:
    path.touch()
    status = path.stat()
    sha256 = hash_text(path.name)
    return Seen(status.st_size, status.st_mtime_ns, status.st_ino, sha256, sha256)


def _done(planner: Planner, stage: int, step: AnyStep, unit_id: str, members: tuple[str, ...]) -> None:
    """Puts down a step as done, with a file for each of its tables."""
    key = planner.reads(step, unit_id, members).key
    rows = {}
    for member in members:
        outputs = {table: hash_text(f"{table} of {member}") for table in step.writes}
        sample = planner.samples(member)
        rows[member] = {**planner.book.get(member, {}), step.name: Brief(key, "done", None, "", sample, outputs)}
        for table in (*outputs, "run"):
            folder = _folder(planner.corpus, table)
            if step.scope == "corpus":
                write_parquet(computed(table).arrow_schema().empty_table(), folder / f"{member}.parquet")
            else:
                os.close(os.open(f"{folder}/{member}.parquet", os.O_CREAT))
    planner.learn(Report(unit_id, stage, (), rows))


@cache
def _folder(corpus: Corpus, table: str) -> Path:
    folder = corpus.path(table, CORPUS).parent
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _spread(planner: Planner, rows: Rows) -> Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]:
    """Writes compacted tables as the compaction would have them, with ``rows``, and those of ``run``."""

    def spread(_: Callable[[Any], Any], merges: Iterable[Any]) -> Iterable[Any]:
        for merge in merges:
            write_parquet(_frame(planner, rows, merge.table, sorted(merge.files)), merge.target)
            yield merge

    return spread


def _row(transfer_id: str, step: str, row: Brief) -> RunRow:
    said: dict[str, Any] = {"settings": {}, "facts": {}, "input_hashes": {}, "libraries": {}, "file_sha256": None}
    return RunRow(
        transfer_id=transfer_id,
        step=step,
        unit_id=transfer_id,
        step_version=1,
        outcome="done",
        cause=None,
        message="",
        samples_sha256=row.samples,
        key_sha256=row.key,
        output_hashes=row.outputs,
        **said,
    )
