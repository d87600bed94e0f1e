"""A note that nothing is to do, left by each whole run, so that the next to look need not work out every key again.

It holds a hash of all that a plan hangs on: the program, settings, what is kept by hand, the sound and the tables. If
one of them is another, or in doubt, the note says nothing. What is kept by hand stands apart, and of it once more the
tables that transfers and sessions are planned by: where only others were edited (players, schools, verdicts), no
transfer need be asked. Deleting the note costs time and no more.
"""

import hashlib
import json
from collections.abc import Iterable
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import Any

import polars as pl

import pipeline
from pipeline.engine.planner import Planner
from pipeline.store.database.compaction import current
from pipeline.store.files.durable import replacing
from pipeline.store.provenance import hash_value
from pipeline.store.schema import hand_kept


def recall(planner: Planner) -> bool:
    """Whether nothing was to do when all stood as it does now.

    Where that is not known, but that no step on a transfer or session must run, the planner asks none (``idle``).
    """
    noted = _noted(planner.corpus.derived)
    if planner.again or planner.rehash or not noted or noted["state"] != _state(planner):
        return False
    if noted["kept"] == _kept(planner):
        return True
    planner.idle = noted["planned_by"] == _contents(planner, noted["planned_by"])  # whose names are then asked
    return False


def note(planner: Planner) -> None:
    """Notes that nothing is to do; a plan for some transfers only, or that did not ask all, cannot know."""
    state = _state(planner)
    if state and planner.only is None and planner.has_asked_all:
        planned_by = _contents(planner, planner.catalogue.asked)
        made = {"state": state, "kept": _kept(planner), "planned_by": planned_by}
        with suppress(OSError), replacing(note_path(planner.corpus.derived)) as part:
            part.write_text(json.dumps(made, indent=1), encoding="utf-8")


def note_path(derived: Path) -> Path:
    """Where the note lies."""
    return derived / "up_to_date.json"


def _noted(derived: Path) -> dict[str, Any]:
    """The note; empty where there is none, or it is none of ours."""
    try:
        noted = json.loads(note_path(derived).read_text(encoding="utf-8"))
        is_ours = noted["planned_by"].keys() <= {relation.name for relation in hand_kept()}
        return noted if is_ours and noted.keys() >= {"state", "kept"} else {}
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return {}


def _kept(planner: Planner) -> str:
    """Hash of all that is kept by hand, as it was read."""
    return hash_value(planner.corpus.catalogue.hashes)


def _contents(planner: Planner, tables: Iterable[str]) -> dict[str, str]:
    """Hashes of the rows of these tables of the catalogue, as steps see them."""
    return {table: _content(planner.catalogue.frame(table)) for table in sorted(tables)}


def _content(rows: pl.DataFrame) -> str:
    file = BytesIO()
    rows.rechunk().write_ipc(file, compat_level=pl.CompatLevel.oldest())
    return hashlib.sha256(file.getbuffer()).hexdigest()


def _state(planner: Planner) -> str:
    """Hash of all that a plan hangs on but what is kept by hand; empty where a file cannot be read, or a table is not
    what was compacted."""
    generation = current(planner.corpus)
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
            "sound": {t: [seen.file_sha256, seen.samples_sha256] for t, seen in planner.known.items()},
            "tables": generation.folder.name,
        }
    )


def _program() -> str:
    """Hash of the source, which facts are picked by."""
    sources = sorted(Path(pipeline.__file__).parent.rglob("*.py"))
    return hashlib.sha256(b"".join(source.read_bytes() for source in sources)).hexdigest()
