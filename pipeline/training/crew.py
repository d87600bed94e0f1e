"""Processes that render and measure sides beside one another."""

from collections.abc import Callable, Iterable, Iterator
from types import TracebackType
from typing import TypeVar

from pipeline.processes import pool

Job = TypeVar("Job")
Done = TypeVar("Done")


class Crew:
    """So many processes; a context manager."""

    def __init__(self, workers: int) -> None:
        self._pool = pool(workers)

    def __enter__(self) -> "Crew":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.shutdown(cancel_futures=True)

    def over(self, work: Callable[[Job], Done], jobs: Iterable[Job]) -> Iterator[Done]:
        """What ``work`` makes of each job, in their order."""
        return self._pool.map(work, jobs)
