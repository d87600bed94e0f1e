"""What a run does before and after the steps: reads the rows of ``run``, and clears up what belongs to nothing.

Nothing kept by hand is ever touched. Results of a transfer that has left the catalogue move to
``derived/stale/<transfer_id>/removed/`` and come back from there if it does; ``derived/stale`` may be deleted.
"""

import contextlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from sys import intern

from pipeline.engine.damage import Files, damaged_rows, unfinished
from pipeline.engine.jobs import Brief, Seen
from pipeline.engine.planner import Book
from pipeline.steps.scopes import CORPUS
from pipeline.store.catalogue.problems import listed
from pipeline.store.corpus import Corpus
from pipeline.store.database.compaction import frames, stamp
from pipeline.store.files.durable import sync_folder, whole

_BRIEF = ["transfer_id", "step", "key_sha256", "outcome", "cause", "message", "samples_sha256", "output_hashes"]
REMOVED = "removed"


def read_book(corpus: Corpus) -> Book:
    """By transfer and step, the rows of ``run`` in short."""
    book: Book = {}
    for frame in frames(corpus, "run", columns=_BRIEF):
        all_outputs = json.loads(f"[{','.join(frame['output_hashes'])}]")  # one by one takes four times as long
        rows = frame.select(_BRIEF[:-1]).iter_rows()
        for (transfer_id, step, key, outcome, cause, message, samples), outputs in zip(rows, all_outputs, strict=True):
            row = Brief(key, intern(outcome), cause, message, samples, outputs)
            book.setdefault(transfer_id, {})[intern(step)] = row
    return book


def clear_up(corpus: Corpus, files: Files) -> list[str]:
    """Removes unfinished files and sets aside what has left the catalogue; says what it did.

    ``files`` is kept in step with what is moved and removed.
    """
    for path in unfinished(corpus):
        path.unlink(missing_ok=True)
    said = []
    broken = list(damaged_rows(corpus, files["run"]))
    for transfer_id in broken:
        corpus.path("run", transfer_id).unlink(missing_ok=True)
        del files["run"][transfer_id]
    if broken:
        said.append(f"the record of runs of {listed(broken, most=3)} was damaged: measured anew")
    there = set[str]().union(*files.values())
    known = set(corpus.catalogue.frame("transfer")["transfer_id"].to_list()) | {CORPUS}
    left = sorted(there - known)
    if left and any(p.severity == "error" and p.table == "transfer" for p in corpus.catalogue.problems()):
        said.append(f"{_count(left)} not in transfer.csv, which has errors: left where they are")
    elif left:
        for transfer_id in left:
            _move_all(corpus, files, transfer_id)
        said.append(f"{_count(left)} no longer in transfer.csv: set aside in derived/stale/")
    back = sorted(t for t in known - there if (corpus.derived / "stale" / t / REMOVED).is_dir())
    for transfer_id in back:
        _bring_back(corpus, files, transfer_id)
    if back:
        said.append(f"{_count(back)} in transfer.csv again: brought back from derived/stale/")
    return said


def drop_unowned(corpus: Corpus, files: Files, book: Book) -> None:
    """Removes tables that no row of ``run`` answers for: their writer was killed before it wrote the row."""
    owned: dict[str, set[str]] = {"run": set(files["run"])}
    for transfer_id, rows in book.items():
        for row in rows.values():
            for table in row.outputs:
                owned.setdefault(table, set()).add(transfer_id)
    known = {*corpus.catalogue.frame("transfer")["transfer_id"], CORPUS}
    for table, of_table in files.items():
        for transfer_id in (of_table.keys() - owned.get(table, set())) & known:
            corpus.path(table, transfer_id).unlink(missing_ok=True)
            del of_table[transfer_id]


def _count(transfer_ids: list[str]) -> str:
    if len(transfer_ids) == 1:
        return f"results of {transfer_ids[0]}, which is"
    return f"results of {len(transfer_ids)} transfers ({', '.join(transfer_ids[:3])}, …), which are"


def say_damaged(tables: Iterable[tuple[str, str]]) -> str:
    """In words, which tables are made anew for damage."""
    named = [f"{table} of {transfer_id}" for table, transfer_id in sorted(tables)]
    return f"Damaged or changed from outside, and made anew: {listed(named, most=3)}."


def _move_all(corpus: Corpus, files: Files, transfer_id: str) -> None:
    folder = corpus.derived / "stale" / transfer_id / REMOVED
    folder.mkdir(parents=True, exist_ok=True)
    for table in sorted(files, key=lambda name: (name != "run", name)):
        if files[table].pop(transfer_id, None):
            corpus.path(table, transfer_id).replace(folder / f"{table}.parquet")
    sync_folder(folder)


def _bring_back(corpus: Corpus, files: Files, transfer_id: str) -> None:
    folder = corpus.derived / "stale" / transfer_id / REMOVED
    for path in sorted(folder.glob("*.parquet"), key=lambda path: (path.stem == "run", path.stem)):
        target = corpus.path(path.stem, transfer_id)
        target.parent.mkdir(parents=True, exist_ok=True)
        path.replace(target)
        files.setdefault(path.stem, {})[transfer_id] = stamp(target)
    folder.rmdir()


class SeenFile:
    """``derived/audio_seen.jsonl``: what is known of each audio file, so that only changed files are hashed.

    Lines are added as files are hashed; a line cut short by a crash is passed over. Deleting it only costs time.
    """

    def __init__(self, corpus: Corpus) -> None:
        self.path: Path = corpus.derived / "audio_seen.jsonl"

    def read(self) -> dict[str, Seen]:
        """By file, what is known of it."""
        found = {}
        try:
            lines = self.path.read_text(encoding="utf-8").splitlines()
        except OSError:
            return {}
        for line in lines:
            try:
                values = json.loads(line)
                file = values.pop("file")
                found[file] = Seen(**values)
            except (ValueError, TypeError, KeyError):
                continue
        return found

    def add(self, seen: Mapping[str, Seen]) -> None:
        """Adds lines for the files."""
        text = "".join(json.dumps({"file": file, **asdict(item)}) + "\n" for file, item in seen.items())
        with contextlib.suppress(OSError), self.path.open("a", encoding="utf-8") as file:
            file.write(text)  # a full disk costs time at the next run, no more

    def rewrite(self, seen: Mapping[str, Seen]) -> None:
        """Leaves one line for each file, if there are many more."""
        if not self.path.exists() or self.path.read_bytes().count(b"\n") < 2 * len(seen) + 1000:
            return
        with whole(self.path) as part:
            part.write_text(
                "".join(json.dumps({"file": f, **asdict(s)}) + "\n" for f, s in sorted(seen.items())), encoding="utf-8"
            )
