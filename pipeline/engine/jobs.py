"""What a worker is given and what it gives back; plain values only, so that they travel between processes.

A stage is a run of neighbouring steps of one scope: they are done together, by one worker, for one unit.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pipeline.steps.base import AnyStep
from pipeline.store.provenance import Cause

Result = Literal["done", "cannot_tell", "failed", "unchanged", "waiting"]


@dataclass(frozen=True)
class SoundSpec:
    """Which samples are a transfer's: file below ``audio/``, how channels become one, and the span in it."""

    file: str
    channel_rule: str
    start_s: float | None
    end_s: float | None

    def key(self) -> list[Any]:
        """What of it decides about results: everything but the file's name."""
        return [self.channel_rule, self.start_s, self.end_s]


@dataclass(frozen=True)
class Seen:
    """What is known of an audio file, and the size, time and inode that it had then.

    ``samples_sha256`` is None, and ``problem`` says why, where the file could not be decoded.
    """

    size: int
    mtime_ns: int
    inode: int
    file_sha256: str
    samples_sha256: str | None
    problem: str = ""

    def still(self, path: Path) -> bool:
        """Whether the file looks as it did."""
        status = path.stat()
        return (self.size, self.mtime_ns, self.inode) == (status.st_size, status.st_mtime_ns, status.st_ino)


@dataclass(frozen=True)
class Job:
    """The steps of one stage for one unit.

    Attributes
    ----------
    facts : by step name.
    sounds, seen : by transfer id. If the job ``hears``, a transfer without an entry in ``seen``, or whose file
        has changed since, is hashed first.
    problem : why the catalogue forbids to measure this unit; empty if it does not.
    inputs, samples : for a step on the whole corpus, the hashes of its input tables, and of all samples by
        transfer.
    alone : the worker that had this job was lost: note each step as soon as it is done, to know which one it was.
    killed : that worker was lost again: note that at the step that was next, and do nothing else.
    """

    unit_id: str
    stage: int
    steps: tuple[str, ...]
    transfers: tuple[str, ...]
    facts: Mapping[str, Mapping[str, Any]]
    sounds: Mapping[str, SoundSpec]
    seen: Mapping[str, Seen]
    again: bool = False
    rehash: bool = False
    hears: bool = False
    problem: str = ""
    inputs: Mapping[str, str] | None = None
    samples: Mapping[str, str] = field(default_factory=dict)
    alone: bool = False
    killed: bool = False


@dataclass(frozen=True)
class Did:
    """How one step went for one transfer; ``moved`` tells of a speed that moved without its own input moving."""

    transfer_id: str
    step: str
    result: Result
    message: str = ""
    cause: Cause | None = None
    transient: bool = False
    moved: str = ""
    traceback: str = ""


@dataclass(frozen=True, slots=True)
class Brief:
    """What the planner keeps of a row of ``run``; there may be a million."""

    key: str
    outcome: str
    cause: str | None
    message: str
    samples: str | None
    outputs: Mapping[str, str]


@dataclass(frozen=True)
class Report:
    """What came of a job. ``rows``: the rows as they are now, for each transfer that was touched."""

    unit_id: str
    stage: int
    did: tuple[Did, ...]
    rows: Mapping[str, Mapping[str, Brief]] = field(default_factory=dict)
    seen: Mapping[str, Seen] = field(default_factory=dict)
    sound_s: float = 0.0
    took_s: float = 0.0


def stages(steps: Sequence[AnyStep]) -> list[tuple[AnyStep, ...]]:
    """The steps grouped into runs of neighbours of one scope."""
    groups: list[list[AnyStep]] = []
    for step in steps:
        if groups and groups[-1][-1].scope == step.scope:
            groups[-1].append(step)
        else:
            groups.append([step])
    return [tuple(group) for group in groups]
