"""One command at a time that changes a corpus: a lock of the system's that dies with its holder, and a note of who.

The lock alone decides between processes of one machine. Between machines a lock on a shared folder may not be
seen, so the note decides: one left by another machine is never taken over, because its holder may be alive.
"""

import json
import os
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from pipeline.errors import DataError
from pipeline.store.files.durable import whole

LOCK = "run.lock"  # always there, empty; what is locked is the open file
HOLDER = "run.holder.json"
WORKERS = "run.workers.lock"  # shared by the workers of a run, so that the next run can wait for late ones


class HeldError(DataError):
    """Another command holds the corpus."""


@contextmanager
def locked(
    derived: Path,
    *,
    say: Callable[[str], None],
    doing: str = "run",
    wait_s: float = 0.0,
    wait_for_workers_s: float | None = 30.0,
) -> Iterator[None]:
    """Hold the corpus whose derived folder is ``derived``.

    Parameters
    ----------
    say : gets one message if the note of a run that died is found and taken over.
    doing : the command that holds the corpus, as others are told.
    wait_s : how long to wait for another command to end; one that runs takes too long for that.
    wait_for_workers_s : how long to wait for workers that outlived their run to end; None: they do not matter.

    Raises
    ------
    HeldError
        If another command holds the corpus.
    DataError
        If one on another machine has left its note.
    """
    derived.mkdir(parents=True, exist_ok=True)
    note = derived / HOLDER
    with (derived / LOCK).open("a+b") as file:
        end = time.monotonic() + wait_s
        while not _try_lock(file, shared=False):
            held = _read(note)
            if time.monotonic() >= end or held.get("doing") == "run":
                raise HeldError(
                    f"{_named(held)} is working on this corpus ({_words(held)})", "wait until it ends, or end it"
                )
            time.sleep(0.05)
        try:
            _take_over(note, say)
            if wait_for_workers_s is not None:
                _wait(derived / WORKERS, wait_for_workers_s)
            _write(note, doing)
            try:
                yield
            finally:
                note.unlink(missing_ok=True)
        finally:
            _unlock(file)


@contextmanager
def working(derived: Path) -> Iterator[None]:
    """Hold a worker's share while it may write; a later run waits for it. Without effect on Windows."""
    with (derived / WORKERS).open("a+b") as file:
        if sys.platform != "win32":
            _try_lock(file, shared=True)
        yield


def holder(derived: Path) -> dict[str, Any] | None:
    """The note of the run that is working on the corpus now; None if there is none."""
    path = derived / LOCK
    if not path.exists():
        return None
    windows = sys.platform == "win32"
    with path.open("a+b" if windows else "rb") as file:  # also where only reading is allowed
        if _try_lock(file, shared=not windows):
            _unlock(file)
            return None
    return _read(derived / HOLDER)


def _take_over(note: Path, say: Callable[[str], None]) -> None:
    if not note.exists():
        return
    left = _read(note)
    if left.get("host", socket.gethostname()) != socket.gethostname():
        raise DataError(
            f"{_named(left).replace('another', 'a')} on another machine has not ended properly, or is still going "
            f"({_words(left)})",
            f"if you are sure that it is over, delete derived/{HOLDER} and run again",
        )
    if left.get("doing", "run") == "run":
        say(f"An earlier run did not end properly ({_words(left)}); going on from where it stopped.")


def _wait(path: Path, seconds: float) -> None:
    if sys.platform == "win32":
        return
    end = time.monotonic() + seconds
    with path.open("a+b") as file:
        while not _try_lock(file, shared=False):
            if time.monotonic() > end:
                raise DataError("workers of an earlier run are still writing", "end them, then run again")
            time.sleep(0.05)
        _unlock(file)


def _read(note: Path) -> dict[str, Any]:
    try:
        left = json.loads(note.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return left if isinstance(left, dict) else {}


def _write(note: Path, doing: str) -> None:
    now = datetime.now(UTC).isoformat(timespec="seconds")
    held = {"doing": doing, "process": os.getpid(), "host": socket.gethostname(), "since": now}
    with whole(note) as part:
        part.write_text(json.dumps(held), encoding="utf-8")


def _named(left: dict[str, Any]) -> str:
    return "another run" if left.get("doing", "run") == "run" else f"`glideline {left['doing']}`"


def _words(left: dict[str, Any]) -> str:
    if not left:
        return "it left no note of itself"
    try:
        since = f"{datetime.fromisoformat(left['since']):%d %b %Y, %H:%M} UTC"
    except (KeyError, TypeError, ValueError):
        since = "nobody knows when"
    return f"process {left.get('process')} on {left.get('host')}, since {since}"


if sys.platform == "win32":
    import msvcrt

    def _try_lock(file: IO[bytes], *, shared: bool) -> bool:
        file.seek(0)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _unlock(file: IO[bytes]) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _try_lock(file: IO[bytes], *, shared: bool) -> bool:
        try:
            fcntl.flock(file, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _unlock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)
