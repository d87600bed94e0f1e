"""What runs in a worker: a batch of jobs of one corpus. Imports no scheduler."""

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.settings import Settings
from pipeline.steps.jobs import Job, Report
from pipeline.steps.runner import do_job
from pipeline.store.corpus import Corpus

# Read by the numeric libraries when they are loaded, so set before the workers start.
_THREADS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "NUMBA_NUM_THREADS",
    "POLARS_MAX_THREADS",
    "RAYON_NUM_THREADS",
)
ONE_THREAD = dict.fromkeys(_THREADS, "1")


@dataclass(frozen=True)
class Batch:
    """Jobs that go to one worker together."""

    root: str
    settings: Settings
    jobs: tuple[Job, ...]


def do_batch(batch: Batch) -> list[Report]:
    """Does the jobs of a batch, one after the other."""
    corpus = Corpus(Path(batch.root))
    return [do_job(corpus, job, settings=batch.settings) for job in batch.jobs]


def batches(jobs: Iterable[Job], *, root: str, settings: Settings, size: int) -> Iterator[Batch]:
    """The jobs in batches of at most ``size``."""
    held: list[Job] = []
    for job in jobs:
        held.append(job)
        if len(held) == size:
            yield Batch(root, settings, tuple(held))
            held = []
    if held:
        yield Batch(root, settings, tuple(held))


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
