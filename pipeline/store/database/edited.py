"""What people have edited since the database was made: results may be older than what the catalogue says by now.

``derived/corpus.kept.json`` holds the SHA-256 of each file kept by hand as it went into the database. Deleting it costs
nothing but this remark.
"""

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import typed
from pipeline.store.catalogue.tables import table_files
from pipeline.store.corpus import Corpus
from pipeline.store.files.durable import replacing
from pipeline.store.schema import hand_kept

SETTINGS = "settings.toml"


def note_kept(corpus: Corpus) -> None:
    """Notes what the database holds by now: the catalogue as it was read, and settings."""
    read = {name: made for name, made in corpus.catalogue.hashes.items() if made}
    with replacing(_note(corpus.root)) as part:
        part.write_text(json.dumps(read | _hashes(corpus.root, [SETTINGS]), indent=1, sort_keys=True), encoding="utf-8")


def edited_since(root: Path) -> list[str]:
    """Files of catalogue and reviews, and settings, that are not what results were made from; none where that is not
    known."""
    try:
        noted = json.loads(_note(root).read_text(encoding="utf-8"))
        kept = [path.relative_to(root).as_posix() for table in hand_kept() for path in table_files(root, table)]
        there = _hashes(root, [*kept, SETTINGS])
        return sorted(name for name in noted.keys() | there.keys() if noted.get(name) != there.get(name))
    except (OSError, ValueError, AttributeError):
        return []


def _hashes(root: Path, names: Iterable[str]) -> dict[str, str]:
    files = {name: Path(root) / name for name in names}
    return {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in files.items() if path.is_file()}


def edited_words(root: Path) -> str:
    """What that means for results, and the cure; empty where nothing was edited."""
    edited = edited_since(root)
    if not edited:
        return ""
    return (
        f"these results are older than {listed_files(edited)}, edited since the last run: glideline run {typed(root)}"
    )


def listed_files(edited: list[str]) -> str:
    """The first of some files, and how many more there are."""
    return edited[0] if len(edited) == 1 else f"{edited[0]} and {len(edited) - 1} more"


def _note(root: Path) -> Path:
    return Path(root) / "derived" / "corpus.kept.json"
