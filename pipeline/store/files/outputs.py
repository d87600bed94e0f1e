"""Where results may be written: never among a corpus's own files, and over nothing that is there unless told."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.store.files.durable import replacing
from pipeline.store.files.paths import PARTS


@contextmanager
def output(path: Path, *, replace: bool = False) -> Iterator[Path]:
    """A path to write to, whose content takes its place when the block ends without an error.

    Raises
    ------
    UsageError
        If the place belongs to a corpus, or something is there already and ``replace`` does not say that it may go.
    """
    refuse_inside_a_corpus(path)
    if path.exists() and not path.is_file() and not path.is_dir():
        yield path  # a pipe or a device is written to, not replaced
        return
    if path.is_dir():
        raise UsageError(f"{path}: is a folder", "name a file in it")
    if not replace and (path.exists() or path.is_symlink()):
        raise UsageError(f"{path}: is there already", "give another name, or add --replace")
    if not path.absolute().parent.is_dir():
        raise UsageError(f"{path}: there is no folder {path.parent}", "make it first")
    with replacing(path) as part:
        yield part


def refuse_inside_a_corpus(path: Path, *, cure: str = "write results to another place") -> None:
    """Raises UsageError if the place is a corpus, or one of its own files or folders."""
    place = path.resolve()
    for folder in (place, *place.parents):
        inside = place.relative_to(folder).parts
        if _is_corpus(folder) and (not inside or inside[0].casefold() in PARTS):
            raise UsageError(f"{path}: belongs to the corpus {folder}", cure)


def _is_corpus(folder: Path) -> bool:
    return (folder / "catalogue").is_dir() or ((folder / "settings.toml").is_file() and (folder / "audio").is_dir())
