"""A sound little corpus to be spoilt, and the command line as its user meets it, in this process."""

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import numpy as np
import soundfile

from pipeline.cli import main

RATE_HZ = 8_000
HASH = "0" * 64

TABLES = {
    "player": "player_id,name,born,died\nanna-vint,Anna Vint,1870,1941~\nbela-ort,Bela Ort,1895,\n",
    "teaching": "teacher_id,student_id,span,certainty\nanna-vint,bela-ort,1908/1912,probable\n",
    "school": "school_id,scheme,name\nnorth,towns,Northern school\nsouth,towns,Southern school\n",
    "school_membership": "player_id,school_id,share,basis\nanna-vint,north,0.5,study\nanna-vint,south,0.5,study\n",
    "work": "work_id,title,composer,key\nair,Air,Nemo,D major\n",
    "session": "session_id,recorded,place\nspring-3,1903-05-01,Arl\n",
    "take": (
        "take_id,work_id,session_id,matrix_number,take_number,accompaniment\n"
        "k1,air,spring-3,0123,2,piano\nk2,air,spring-3,0124,1,none\n"
    ),
    "side": "side_id,label,issue_number,face\ns1,Nonesuch,77,A\ns2,Nonesuch,77,B\n",
    "side_take": "side_id,take_id\ns1,k1\ns2,k2\n",
    "performance": (
        "take_id,player_id,instrument,role,certainty\nk1,anna-vint,violin,soloist,certain\n"
        "k2,anna-vint,violin,soloist,probable\n"
    ),
    "transfer": "transfer_id,side_id,file,turntable_rpm\nt1,s1,one.wav,78.26\nt2,s2,two.wav,78.26\n",
    "period": "period_id,scheme,name,span\nearly,halves,Early,1900/1919\nlate,halves,Late,1920/1939\n",
}


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
