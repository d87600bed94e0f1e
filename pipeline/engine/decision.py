"""Must a step run for a unit, and why? One decision for the plan, for the job itself, and for ``--explain``.

A unit is a transfer, a session or the corpus; what a step would read for it now has one hash, its key. It must run if a
row is missing or has another key, if that is asked for or may succeed this time, or if a table of its own is not as it
was written.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from pipeline.engine.jobs import Brief, SoundSpec
from pipeline.settings import Settings
from pipeline.steps.base import AnyStep
from pipeline.store.provenance import TRIED_AGAIN, hash_value

NEW = "has not run yet"
CHANGED = "something that it rests on has changed (run --explain says what)"
GONE = "a table that it wrote is gone"
DAMAGED = "a table that it wrote is damaged or has been changed"
AGAIN = "asked to run again"
RETRY = "failed for a reason that lay in the machine or the program"


@dataclass(frozen=True)
class Reads:
    """All that a step's result for one unit hangs on, as it stands now.

    Attributes
    ----------
    settings, facts : plain values.
    samples : hash of the samples of each transfer, as far as known.
    sounds, files : which samples are meant, and hash of the file, by transfer; used if the step needs them.
    inputs : hashes of the tables read.
    """

    step: AnyStep
    settings: Mapping[str, Any]
    facts: Mapping[str, Any]
    samples: Mapping[str, str]
    sounds: Mapping[str, SoundSpec]
    files: Mapping[str, str]
    inputs: Mapping[str, str]

    @cached_property
    def key(self) -> str:
        """Hash of everything that the step reads; it runs again if and only if this changes."""
        return hash_value(
            {
                "step": self.step.name,
                "version": self.step.version,
                "settings": self.settings,
                "facts": self.facts,
                "samples": self.samples,
                "sounds": {name: sound.key() for name, sound in self.sounds.items()} if self.step.needs_sound else {},
                "files": self.files if self.step.needs_file else {},
                "inputs": self.inputs,
            }
        )


def why(reads: Reads, rows: Mapping[str, Brief | None], *, again: bool, amiss: Callable[[str, Brief], str]) -> str:
    """Why a step must run for a unit; empty if it need not.

    Parameters
    ----------
    rows : the step's row of ``run`` for each transfer of the unit, None where it has none.
    again : whether to run it in any case.
    amiss : what is wrong with the tables of a transfer's row; empty if they stand.
    """
    standing = [row for row in rows.values() if row is not None]
    if len(standing) < len(rows):
        return NEW
    if {row.key for row in standing} != {reads.key}:
        return CHANGED
    if again:
        return AGAIN
    if not {row.cause for row in standing}.isdisjoint(TRIED_AGAIN):
        return RETRY
    return next(filter(None, map(amiss, rows, standing)), "")


def blocked_key(problem: str) -> str:
    """Key of a failure that lies in the catalogue."""
    return hash_value({"blocked": problem})


def group_values(settings: Settings, step: str) -> dict[str, Any]:
    """A step's settings as plain values."""
    values: dict[str, Any] = getattr(settings, step).model_dump(mode="json")
    return values


def outputs_of(rows: Iterable[Brief]) -> dict[str, str]:
    """Table -> hash, over all rows of one transfer."""
    return {table: sha for row in rows for table, sha in row.outputs.items()}


def input_hashes(step: AnyStep, transfers: Iterable[str], outputs: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    """``transfer/table`` -> hash, for the input tables that there are.

    ``outputs``: by transfer id, table -> hash of its file.
    """
    return {
        f"{transfer_id}/{table}": outputs[transfer_id][table]
        for transfer_id in transfers
        for table in step.reads
        if table in outputs.get(transfer_id, {})
    }
