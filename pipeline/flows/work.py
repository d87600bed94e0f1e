"""What runs in a worker: a batch of jobs of one corpus. Imports no scheduler."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path

from pipeline.engine.jobs import Job, Report
from pipeline.engine.runner import do_job
from pipeline.settings import Settings
from pipeline.steps.base import AnyStep
from pipeline.store.corpus import Corpus


@dataclass(frozen=True)
class Batch:
    """Jobs that go to one worker together; ``steps_from`` names the module that holds the steps."""

    root: str
    settings: Settings
    steps_from: str
    jobs: tuple[Job, ...]

    @property
    def units(self) -> tuple[tuple[int, str], ...]:
        """Stage and unit of each job."""
        return tuple((job.stage, job.unit_id) for job in self.jobs)


def do_batch(batch: Batch) -> list[Report]:
    """Does the jobs of a batch, one after the other."""
    corpus, steps = Corpus(Path(batch.root)), load_steps(batch.steps_from)
    return [do_job(corpus, job, settings=batch.settings, steps=steps) for job in batch.jobs]


def load_steps(steps_from: str) -> tuple[AnyStep, ...]:
    """The steps that a module holds under the name STEPS; loading them takes seconds, so it is done late."""
    steps: tuple[AnyStep, ...] = import_module(steps_from).STEPS
    return steps


def batches(jobs: Iterable[Job], *, like: Batch, size: int) -> Iterator[Batch]:
    """The jobs in batches of at most ``size``, otherwise like ``like``."""
    held: list[Job] = []
    for job in jobs:
        held.append(job)
        if len(held) == size:
            yield replace(like, jobs=tuple(held))
            held = []
    if held:
        yield replace(like, jobs=tuple(held))
