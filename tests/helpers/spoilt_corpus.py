"""A sound little corpus to be spoilt, and the command line as its user meets it, in this process."""

import io
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import numpy as np
import soundfile

from pipeline.cli import main
from tests.helpers.small_catalogue import CATALOGUE as TABLES

RATE_HZ = 8_000
HASH = "0" * 64
Files = dict[str, str | bytes]


@dataclass(frozen=True)
class Said:
    """What a command answered."""

    status: int
    out: str
    err: str

    @property
    def words(self) -> str:
        """All that was printed, with single spaces."""
        return " ".join(f"{self.out}\n{self.err}".split())


def glideline(*arguments: object) -> Said:
    """Runs the command line in this process."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    streams = patch.multiple(sys, argv=["glideline", *map(str, arguments)], stdout=out, stderr=err, stdin=io.StringIO())
    with streams:
        try:
            main()
            status = 0
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else 0 if ended.code is None else 1
    said = [stream.buffer.getvalue().decode() for stream in (out, err)]  # type: ignore[attr-defined]
    return Said(status, *said)


def tone(path: Path, *, hz: float = 440.0, length_s: float = 2.5, rate: int = RATE_HZ, level: float = 0.3) -> Path:
    """A tone with a little noise."""
    path.parent.mkdir(parents=True, exist_ok=True)
    time_s = np.arange(round(length_s * rate)) / rate
    samples = level * (np.sin(2 * np.pi * hz * time_s) + 0.01 * np.random.default_rng(7).normal(size=time_s.size))
    soundfile.write(path, samples, rate, subtype="PCM_16")
    return path


def sound_corpus(root: Path) -> Path:
    """A corpus in which nothing is wrong."""
    for folder in ("catalogue", "audio", "reviews"):
        (root / folder).mkdir(parents=True)
    for name, text in TABLES.items():
        (root / "catalogue" / f"{name}.csv").write_text(text, encoding="utf-8")
    (root / "settings.toml").write_text('title = "Made"\n', encoding="utf-8")
    tone(root / "audio" / "one.wav")
    tone(root / "audio" / "two.wav", hz=392.0)
    return root


def hand_kept(root: Path) -> dict[str, bytes]:
    """Bytes of every file of a corpus that people keep, audio among them."""
    files = (p for p in sorted(root.rglob("*")) if p.is_file() and p.relative_to(root).parts[0] != "derived")
    return {p.relative_to(root).as_posix(): p.read_bytes() for p in files}


def lay(here: Path, files: Files) -> None:
    """Makes the files; ``a.zip/name`` is an entry of a zip, the content ``@link`` a link to something outside."""
    zips: dict[str, list[tuple[str, str | bytes]]] = {}
    for name, content in files.items():
        archive, cut, entry = name.partition(".zip/") if ".zip/" in name else name.partition(".xlsx/")
        path = here / name
        if cut:
            zips.setdefault(archive + cut.rstrip("/"), []).append((entry, content))
        elif content == b"@link":
            outside = here / "outside"
            if path.exists():
                path.rename(outside)
            path.symlink_to(outside)
        elif content == b"tone":
            tone(path, hz=330.0)
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content.encode() if isinstance(content, str) else content)
    for archive, entries in zips.items():
        with zipfile.ZipFile(here / archive, "w") as file:
            for entry, content in entries:
                info = zipfile.ZipInfo(entry)
                info.external_attr = (0o120777 if entry == "@link" else 0o100644) << 16
                file.writestr(info, content)


def everything(here: Path) -> dict[str, bytes]:
    """All files below a folder but what runs may write."""
    kept = {"corpus/" + name: content for name, content in hand_kept(here / "corpus").items()}
    beside = (p for p in sorted(here.rglob("*")) if p.is_file() and not p.is_relative_to(here / "corpus"))
    return kept | {p.relative_to(here).as_posix(): p.read_bytes() for p in beside}


def words(command: str, here: Path) -> list[str]:
    """A command line, DIR being the corpus and HERE the folder that holds it."""
    return [word.replace("DIR", str(here / "corpus")).replace("HERE", str(here)) for word in command.split()]


@contextmanager
def failing(target: str, name: str, error: OSError, *, below: Path) -> Iterator[None]:
    """Lets a method of ``Path`` fail for paths below a folder, as the system would."""
    own = getattr(Path, name)

    def fails(self: Path, *given: object, **more: object) -> object:
        if self.is_relative_to(below) and target in str(self):
            raise type(error)(error.errno, error.strerror, str(self))
        return own(self, *given, **more)

    with patch.object(Path, name, fails):
        yield
