"""A note that nothing is to do, left by each whole run, so that the next to look need not work out every key again.

It holds a hash of all that a plan hangs on: the program, settings, what is kept by hand, the sound and the tables. If
one of them is another, or in doubt, the note says nothing. Deleting it costs time and no more.
"""

import hashlib
from contextlib import suppress
from pathlib import Path

import pipeline
from pipeline.engine.planner import Planner
from pipeline.store.database.compaction import current
from pipeline.store.files.durable import replacing
from pipeline.store.provenance import hash_value


def is_noted(planner: Planner) -> bool:
    """Whether nothing was to do when all stood as it does now."""
    try:
        noted = note_path(planner.corpus.derived).read_text(encoding="utf-8")
    except OSError:
        return False
    return not planner.again and not planner.rehash and noted == _state(planner)


def note(planner: Planner) -> None:
    """Notes that nothing is to do; a plan for some transfers only cannot know."""
    state = _state(planner)
    if state and planner.only is None:
        with suppress(OSError), replacing(note_path(planner.corpus.derived)) as part:
            part.write_text(state, encoding="utf-8")


def note_path(derived: Path) -> Path:
    """Where the note lies."""
    return derived / "up_to_date.txt"


def _state(planner: Planner) -> str:
    """The hash; empty where a file cannot be read, or a table is not what was compacted."""
    corpus, generation = planner.corpus, current(planner.corpus)
    in_doubt = planner.blocked or planner.absent or planner.damaged or planner.known.keys() != planner.sounds.keys()
    if in_doubt or generation is None:
        return ""
    if any(stamps != generation.stamps(table) for table, stamps in planner.files.items()):
        return ""
    steps = [*(step for stage in planner.stages for step in stage), *planner.corpus_steps]
    return hash_value(
        {
            "program": _program(),
            "steps": {step.name: step.version for step in steps},
            "settings": planner.settings.model_dump(mode="json"),
            "kept": corpus.catalogue.hashes,
            "sound": {t: [seen.file_sha256, seen.samples_sha256] for t, seen in planner.known.items()},
            "tables": generation.folder.name,
        }
    )


def _program() -> str:
    """Hash of the source, which facts are picked by."""
    sources = sorted(Path(pipeline.__file__).parent.rglob("*.py"))
    return hashlib.sha256(b"".join(source.read_bytes() for source in sources)).hexdigest()
