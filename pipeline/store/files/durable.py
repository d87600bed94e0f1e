"""Puts files in place so that they are whole or not there, and stay so when the power goes."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from pipeline.errors import DataError


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary path beside ``path`` that takes its place, durably, when the block ends without an error."""
    with replacing_all([path]) as parts:
        yield parts[0]


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """As ``replacing``, but not made durable, and for one writer at a time: what a kill leaves, the next replaces."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.tmp")
    try:
        with naming(path):
            yield part
            part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Lets an error of the disk say which file it is about; one met while writing does not know."""
    try:
        yield
    except OSError as error:
        error.filename = error.filename or str(path)
        raise


def unwritten(path: Path, error: Exception) -> DataError:
    """What is said where a library fails to write a file in words of its own."""
    said = str(error).partition("\n")[0]
    return DataError(f"{path}: cannot be written ({said})", "look whether the disk has room, and you may write there")


@contextmanager
def replacing_all(paths: Sequence[Path]) -> Iterator[list[Path]]:
    """The same for several paths; they take their places one after the other, when all are safely written.

    All are made durable at one time, which takes a disk hardly longer than one.
    """
    for folder in {path.parent for path in paths}:
        folder.mkdir(parents=True, exist_ok=True)
    parts = [path.with_name(f".{path.name}.{os.getpid()}.tmp") for path in paths]
    try:
        with naming(paths[0]):
            yield parts
        at_once(sync_file, parts)
        for part, path in zip(parts, paths, strict=True):
            part.replace(path)
    except BaseException:
        for part in parts:
            part.unlink(missing_ok=True)
        raise
    at_once(sync_folder, sorted({path.parent for path in paths}))


def at_once(sync: Callable[[Path], None], paths: Sequence[Path]) -> None:
    """Makes several files or folders durable at one time, which takes a disk hardly longer than one."""
    if len(paths) == 1:
        sync(paths[0])
    else:
        list(_threads(os.getpid()).map(sync, paths))


@cache
def _threads(process: int) -> ThreadPoolExecutor:
    """Threads that wait for the disk; a process that was forked has none of its parent's."""
    return ThreadPoolExecutor(16)


def sync_file(path: Path) -> None:
    """Makes the content of a file durable."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Makes renames in a folder durable; systems that cannot open a folder (Windows) do it by themselves."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
