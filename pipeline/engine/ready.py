"""What is compiled: a note beside the compiled code, which is read without loading what compiles."""

import hashlib
import os
import platform
from collections.abc import Iterable
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

import pipeline

_NOTE = "glideline-compiled.txt"
_SOURCE = Path(pipeline.__file__).parent


def compiled_parts() -> frozenset[str]:
    """The parts of ``signal.first_use`` that this numba has compiled, of this source and for this processor."""
    try:
        key, *parts = (folder() / _NOTE).read_text(encoding="utf-8").split()
    except (OSError, ValueError):
        return frozenset()
    return frozenset(parts) if key == _key() else frozenset()


def note(parts: Iterable[str]) -> None:
    """Notes that these are; nothing happens where that cannot be written."""
    with suppress(OSError):
        folder().mkdir(parents=True, exist_ok=True)
        (folder() / _NOTE).write_text("\n".join([_key(), *sorted(parts)]), encoding="utf-8")


def folder() -> Path:
    """Where the note lies: beside compiled code, in a place that mostly is told without loading numba."""
    if chosen := os.environ.get("NUMBA_CACHE_DIR"):
        return Path(chosen)
    beside = _SOURCE / "signal" / "slides" / "__pycache__"
    if os.access(beside, os.W_OK):
        return beside
    from pipeline.signal.slides.trees import add_scores

    return Path(str(add_scores.stats.cache_path))


def _key() -> str:
    """Stands for the source, what compiles it, and what for."""
    from llvmlite.binding import get_host_cpu_name

    sources = sorted([*(_SOURCE / "signal").rglob("*.py"), *_SOURCE.glob("*.py")])
    key = hashlib.sha256(b"".join(source.read_bytes() for source in sources))
    for part in (version("numba"), platform.python_version(), get_host_cpu_name()):
        key.update(part.encode())
    return key.hexdigest()
