"""The one way to change what people keep (catalogue, reviews, settings, new audio): all files of a change, or none.

A change is made under the corpus's lock. ``change-to-undo.csv`` in the corpus folder first lists the files that are
about to be written; then each is written in full beside its place, under a hidden name. When all are safely on disk,
the list is renamed to ``change-to-finish.csv``: from that moment the change counts. Then the files take their places,
and the list goes. Whoever opens the corpus after a change was cut short finishes or undoes it by the list.
"""

import csv
import hashlib
import io
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import DataError
from pipeline.store.files.durable import at_once, sync_file, sync_folder
from pipeline.store.files.lock import LOCK, HeldError, locked

TO_UNDO = "change-to-undo.csv"
TO_FINISH = "change-to-finish.csv"
_UNWRITTEN = f".{TO_UNDO}"  # while it is being written itself
# A change in hand takes its places in milliseconds, and copies audio before; common practice, no source.
WAIT_S = 10.0
_HEADINGS = ("file", "sha256_before")
_NO_FILE = ""


@dataclass(frozen=True)
class _Entry:
    """A file of a change, below the corpus folder, and the hash of what it replaces; a folder ends in a slash."""

    file: str
    before: str = _NO_FILE

    def place(self, root: Path) -> Path:
        return root / self.file

    def part(self, root: Path) -> Path:
        """Where the new content waits."""
        place = self.place(root)
        return place.with_name(f".{place.name}.change")

    @property
    def is_folder(self) -> bool:
        return self.file.endswith("/")


@dataclass
class Change:
    """Files to be put in place together; see ``changing``.

    Attributes
    ----------
    finished : files of an earlier change that had been cut short and was finished just now.
    """

    root: Path
    finished: tuple[str, ...] = ()
    _waiting: dict[Path, tuple[str, Callable[[Path], None]]] = field(default_factory=dict)
    _folders: list[Path] = field(default_factory=list)

    def put(self, path: Path, content: bytes, *, was: bytes | None) -> None:
        """Gives a file new content; ``was`` is what it held when the new content was worked out, None for no file.

        Raises
        ------
        ValueError
            If the file lies in ``audio/``: what is there is never changed.
        """
        if path.is_relative_to(self.root / "audio"):
            raise ValueError(f"{path}: audio is only ever read")
        if content != was:
            self._waiting[path] = (_NO_FILE if was is None else _hash(was), lambda part: _write(part, content))

    def copy_in(self, source: Path, target: Path) -> None:
        """Copies a file to a place where none is yet."""
        self._waiting[target] = (_NO_FILE, lambda part: _copy(source, part))

    def folder(self, path: Path) -> None:
        """Makes a folder, and those above it."""
        self._folders.append(path)

    def carry_out(self) -> None:
        """Puts everything given so far in place.

        Raises
        ------
        DataError
            If a file is no longer what it was, or cannot be written; then all files are as before.
        """
        waiting, self._waiting = self._waiting, {}
        folders, self._folders = [*self._folders, *(path.parent for path in waiting)], []
        if not (waiting or folders):
            return
        for path, (before, _) in waiting.items():
            if _hash_of(path) != before:
                raise DataError(
                    f"{self._named(path)}: was changed by another program in the meantime; nothing was written",
                    "give the command again",
                )
        new = [f"{self._named(path)}/" for path in _missing(folders, root=self.root)]
        entries = [*map(_Entry, new), *(_Entry(self._named(path), before) for path, (before, _) in waiting.items())]
        if not entries:
            return
        try:
            _write(self.root / _UNWRITTEN, _listed(entries))
            sync_file(self.root / _UNWRITTEN)
            (self.root / _UNWRITTEN).replace(self.root / TO_UNDO)
            sync_folder(self.root)
            for name in new:
                (self.root / name).mkdir()
            parts = []
            for path, (before, write) in waiting.items():
                part = _Entry(self._named(path)).part(self.root)
                write(part)
                if before:
                    shutil.copymode(path, part)
                parts.append(part)
            if parts:
                at_once(sync_file, parts)
            at_once(sync_folder, sorted({path.parent for path in waiting} | {self.root}))
            (self.root / TO_UNDO).replace(self.root / TO_FINISH)
        except BaseException as error:
            if not (self.root / TO_FINISH).exists():
                with suppress(OSError):
                    _undo(self.root, entries)
            if isinstance(error, OSError):
                raise DataError(
                    f"{error.filename or self.root}: cannot be written ({error.strerror or error})",
                    "nothing was changed",
                ) from error
            raise
        _finish(self.root, entries)

    def _named(self, path: Path) -> str:
        return path.relative_to(self.root).as_posix()


@contextmanager
def changing(root: Path, *, doing: str, wait_s: float = WAIT_S) -> Iterator[Change]:
    """The corpus's lock, and a change that is carried out when the block ends without an error.

    What is read within the block is what the change is held against, so read there. ``doing`` names the command to
    others that wait.

    Raises
    ------
    DataError
        If another command holds the corpus for longer than ``wait_s``, or an earlier change can neither be finished
        nor undone.
    """
    with ExitStack() as held:
        if not root.exists():
            held.callback(_leave_nothing, root)
        try:
            root.mkdir(parents=True, exist_ok=True)
            held.enter_context(
                locked(root / "derived", say=lambda _: None, doing=doing, wait_s=wait_s, wait_for_workers_s=None)
            )
            change = Change(root, mend(root))
        except OSError as error:
            raise _unwritable(error, root) from error
        yield change
        change.carry_out()


def _leave_nothing(root: Path) -> None:
    """Takes a new folder away again in which nothing was begun."""
    derived = root / "derived"
    if sorted(root.rglob("*")) == [derived, derived / LOCK]:
        with suppress(OSError):
            (derived / LOCK).unlink()
            derived.rmdir()
            root.rmdir()


def settle(root: Path, *, wait_s: float = WAIT_S) -> None:
    """Finishes or undoes a change that was cut short, unless it is still being made; waits while it takes its places.

    Raises
    ------
    DataError
        If files of a change have not all taken their places, and it can neither be finished here nor waited for.
    """
    end = time.monotonic() + wait_s
    while is_cut_short(root):
        half_done = (root / TO_FINISH).exists()
        try:
            with locked(root / "derived", say=lambda _: None, doing="a change", wait_for_workers_s=None):
                mend(root)
                return
        except OSError as error:
            if half_done:
                reason = error.strerror or str(error)
                raise DataError(
                    f"{root / TO_FINISH}: a change of these files was cut short and cannot be finished ({reason})",
                    "let somebody who may write to the corpus give any command, such as check",
                ) from error
            return
        except HeldError:
            if not half_done:
                return
            if time.monotonic() > end:
                raise
        time.sleep(0.02)


def is_cut_short(root: Path) -> bool:
    """Whether a change is being made, or was cut short."""
    return any((root / name).exists() for name in (TO_FINISH, TO_UNDO, _UNWRITTEN))


def mend(root: Path) -> tuple[str, ...]:
    """Finishes or undoes what was cut short, under the lock; gives the files of a change that it finished."""
    (root / _UNWRITTEN).unlink(missing_ok=True)
    if (root / TO_FINISH).exists():
        entries = _read(root / TO_FINISH)
        _finish(root, entries)
        return tuple(entry.file for entry in entries if not entry.is_folder)
    if (root / TO_UNDO).exists():
        _undo(root, _read(root / TO_UNDO))
    return ()


def _finish(root: Path, entries: list[_Entry]) -> None:
    for entry in entries:
        part = entry.part(root)
        if entry.is_folder or not part.exists():
            continue
        if _hash_of(entry.place(root)) != entry.before:
            raise DataError(
                f"{entry.file}: was changed by hand while a change of it was not finished. The change's version is "
                f"{part.relative_to(root).as_posix()}: put both together there or here, and delete the other",
                "then give the command again",
            )
        try:
            part.replace(entry.place(root))
        except OSError as error:
            raise DataError(
                f"{entry.file}: cannot be replaced ({error.strerror or error})",
                f"close it where it is open, and give "
                f"the command again: {TO_FINISH} lists what is still to be put in place",
            ) from error
    folders = {entry.place(root).parent for entry in entries}
    at_once(sync_folder, sorted(folders))
    (root / TO_FINISH).unlink()
    sync_folder(root)


def _undo(root: Path, entries: list[_Entry]) -> None:
    for entry in entries:
        if not entry.is_folder:
            entry.part(root).unlink(missing_ok=True)
    for entry in reversed(entries):
        if entry.is_folder:
            with suppress(OSError):  # somebody has put something there
                entry.place(root).rmdir()
    (root / _UNWRITTEN).unlink(missing_ok=True)
    (root / TO_UNDO).unlink(missing_ok=True)


def _listed(entries: list[_Entry]) -> bytes:
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(_HEADINGS)
    writer.writerows((entry.file, entry.before) for entry in entries)
    return buffer.getvalue().encode("utf-8", "surrogateescape")


def _read(path: Path) -> list[_Entry]:
    """The entries of a list; one that leads out of the corpus is not ours."""
    try:
        text = path.read_bytes().decode("utf-8", "surrogateescape")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))[1:]
        entries = [_Entry(file, before) for file, before in rows]
    except (csv.Error, ValueError) as error:
        raise DataError(
            f"{path}: is damaged ({error})",
            f"put each hidden .NAME.change beside its file in the place of NAME, or "
            f"delete all of them; then delete {path.name}",
        ) from error
    for entry in entries:
        parts = Path(entry.file).parts
        if not parts or Path(entry.file).is_absolute() or ".." in parts or "\\" in entry.file or ":" in parts[0]:
            raise DataError(f"{path}: names {entry.file!r}, outside the corpus", f"delete {path.name}")
    return entries


def _missing(folders: list[Path], *, root: Path) -> list[Path]:
    """Those folders, and folders above them, that are not there yet; outer ones first."""
    wanted = {each for folder in folders for each in (folder, *folder.parents) if each.is_relative_to(root)}
    return sorted(folder for folder in wanted if not folder.is_dir())


def _unwritable(error: OSError, root: Path) -> DataError:
    return DataError(f"{error.filename or root}: cannot be written ({error.strerror or error})", "nothing was changed")


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _hash_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return _NO_FILE


def _write(part: Path, content: bytes) -> None:
    part.write_bytes(content)


def _copy(source: Path, part: Path) -> None:
    with source.open("rb") as old, part.open("wb") as new:
        shutil.copyfileobj(old, new, 1 << 20)
