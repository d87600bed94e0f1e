"""Processes that render and measure sides beside one another."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from types import TracebackType
from typing import TypeVar

from threadpoolctl import threadpool_limits

Job = TypeVar("Job")
Done = TypeVar("Done")


class Crew:
    """So many processes; a context manager. Each does its numerics in one thread: they would wait for one another."""

    def __init__(self, workers: int) -> None:
        self._pool = ProcessPoolExecutor(workers, get_context("spawn"), threadpool_limits, (1,))

    def __enter__(self) -> "Crew":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.shutdown(cancel_futures=True)

    def over(self, work: Callable[[Job], Done], jobs: Iterable[Job]) -> Iterator[Done]:
        """What ``work`` makes of each job, in their order."""
        return self._pool.map(work, jobs)
