"""What people have edited since the database was made: results may be older than what the catalogue says by now.

``derived/corpus.kept.json`` holds the SHA-256 of each file kept by hand as it went into the database, and its size and
times then: while these are the same, nobody need read it. Deleting it costs nothing but this remark.
"""

import json
import time
from collections.abc import Sequence
from pathlib import Path

from pipeline.store.catalogue.tables import table_files
from pipeline.store.corpus import Corpus
from pipeline.store.files.durable import replacing
from pipeline.store.provenance import hash_bytes_of
from pipeline.store.schema import hand_kept

SETTINGS, DRAWN = "settings.toml", "reviews/drawn/"
TICK_NS = 2_000_000_000
"""The coarsest clock of a file system in use, that of FAT."""


def note_kept(corpus: Corpus) -> None:
    """Notes what the database holds by now: the catalogue as it was read, and settings."""
    read = {name: made for name, made in corpus.catalogue.hashes.items() if made}
    settings = _hash(corpus.root / SETTINGS)
    held = read | ({SETTINGS: settings} if settings else {})
    noted = {name: [sha256, _settled(corpus.root / name, sha256)] for name, sha256 in held.items()}
    with replacing(_note(corpus.root)) as part:
        part.write_text(json.dumps(noted, indent=1, sort_keys=True), encoding="utf-8")


def edited_since(root: Path) -> list[str]:
    """Files of catalogue and reviews, and settings, that are not what results were made from; none where that is not
    known. Samples that the program drew are not edited by anybody."""
    root = Path(root)
    try:
        noted = json.loads(_note(root).read_text(encoding="utf-8"))
        kept = [path.relative_to(root).as_posix() for table in hand_kept() for path in table_files(root, table)]
        held = {name for name in (*noted, *kept, SETTINGS) if not name.startswith(DRAWN)}
        return sorted(name for name in held if _is_edited(root / name, *noted.get(name, ("", ""))))
    except (OSError, ValueError, AttributeError, TypeError):
        return []


def _is_edited(path: Path, sha256: str, stood: str) -> bool:
    return (not stood or _stands(path) != stood) and _hash(path) != sha256


def _hash(path: Path) -> str:
    """SHA-256 of a file; empty where there is none."""
    return hash_bytes_of(path) if path.is_file() else ""


def _settled(path: Path, sha256: str) -> str:
    """How a file stands; empty where it is not what was read, or so young that an edit might leave its times alone."""
    stood = _stands(path)
    is_old = stood and time.time_ns() - max(int(told) for told in stood.split()[1:]) > TICK_NS
    return stood if is_old and _hash(path) == sha256 and _stands(path) == stood else ""


def _stands(path: Path) -> str:
    """Size and times of a file, of which that of its status cannot be set back; empty where there is none."""
    try:
        status = path.stat()
    except OSError:
        return ""
    return f"{status.st_size} {status.st_mtime_ns} {status.st_ctime_ns}"


def edited_words(edited: Sequence[str]) -> str:
    """What that means for results; empty where nothing was edited."""
    if not edited:
        return ""
    files = edited[0] if len(edited) == 1 else f"{edited[0]} and {len(edited) - 1} more"
    return f"these results are older than {files}, edited since the last run"


def _note(root: Path) -> Path:
    return Path(root) / "derived" / "corpus.kept.json"
