"""The engine of one machine: worker processes that know nothing of the scheduler.

When a worker dies, the pool dies with it, and any of the batches in flight may be the cause. Each of them is
then done alone, in a process of its own: what kills its worker again is noted as failed, the rest goes on.
"""

import contextlib
import multiprocessing as mp
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from multiprocessing.connection import wait as wait_for
from pathlib import Path
from typing import Any, Self

from pipeline.engine.jobs import Report
from pipeline.errors import DataError
from pipeline.flows.work import Batch, do_batch
from pipeline.processes import pool
from pipeline.store.files.lock import working

WATCH_EVERY_S = 1.0

_held = contextlib.ExitStack()


class LocalPool:
    """Worker processes for one run; a context, at whose end they have ended too.

    ``watch`` is called every second while workers are busy, and may raise to stop them.
    """

    def __init__(self, *, workers: int, derived: Path) -> None:
        self.workers = workers
        self.derived = derived
        self.watch: Callable[[], None] = lambda: None
        self._pool: ProcessPoolExecutor | None = None
        self._ending: threading.Thread | None = None
        self._flying: dict[Future[list[Report]], Batch] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        self._end(at_once=kind is not None)

    def run_batches(
        self,
        batches: Iterator[Batch],
        on_report: Callable[[Report], None],
        *,
        leave: Callable[[], bool] = lambda: False,
    ) -> None:
        """Does all batches; calls ``on_report`` in this process as they finish.

        ``batches`` is drawn from only as workers become free. When ``leave`` says so, what has begun is left to the
        next call, which is given the same batches once more.
        """
        flying = self._flying
        begun = {batch.units for batch in flying.values()}
        left = True
        while left or flying:
            while left and len(flying) < self.workers + 1:  # one waits, so that no worker does
                batch = next(batches, None)
                if batch is None:
                    left = False
                elif batch.units not in begun:
                    flying[self._submit(batch)] = batch
            if leave():
                return
            done, _ = wait(flying, timeout=WATCH_EVERY_S, return_when=FIRST_COMPLETED) if flying else (set(), None)
            self.watch()
            suspects = []
            for future in done:
                batch = flying.pop(future)
                try:
                    reports = future.result()
                except BrokenProcessPool:
                    suspects.append(batch)
                    continue
                for report in reports:
                    on_report(report)
            if suspects:
                suspects += flying.values()
                flying.clear()
                self._end(at_once=True)
                for batch in suspects:
                    self._alone(batch, on_report)

    def spread(self, do: Callable[[Any], Any], items: Iterable[Any]) -> list[Any]:
        """What ``do`` gives for each item, done by the workers; by this process alone if one of them dies."""
        waiting = list(items)
        if len(waiting) < 2:
            return [do(item) for item in waiting]
        try:
            futures = [self._started().submit(do, item) for item in waiting]
            return [future.result() for future in futures]
        except BrokenProcessPool:
            self._end(at_once=True)
            return [do(item) for item in waiting]

    def release(self) -> None:
        """Lets the workers end, which takes them a while, without waiting for it."""
        if self._pool is not None:
            self._ending = threading.Thread(target=self._pool.shutdown)
            self._ending.start()
            self._pool = None

    def _alone(self, batch: Batch, on_report: Callable[[Report], None]) -> None:
        for job in batch.jobs:
            with LocalPool(workers=1, derived=self.derived) as own:
                try:
                    reports = own._submit(replace(batch, jobs=(replace(job, alone=True),))).result()
                except BrokenProcessPool:
                    own._end(at_once=True)
                    own._prove()
                    reports = do_batch(replace(batch, jobs=(replace(job, killed=True),)))
            for report in reports:
                on_report(report)

    def _prove(self) -> None:
        """Refuses to blame a side for a worker that could not even start."""
        started = self._started().submit(os.getpid)
        try:
            started.result()
        except BrokenProcessPool as error:
            self._end(at_once=True)
            raise DataError(
                "worker processes cannot start, so nothing was measured and no side has failed for it",
                "in a program of "
                'your own, call run under `if __name__ == "__main__":` (each worker loads the program once more)',
            ) from error

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._pool = pool(self.workers, _begin, str(self.derived))
        return self._pool

    def _submit(self, batch: Batch) -> Future[list[Report]]:
        started = self._started()
        try:
            return started.submit(do_batch, batch)
        except BrokenProcessPool as error:  # a worker died while none was looking
            failed: Future[list[Report]] = Future()
            failed.set_exception(error)
            return failed

    def _end(self, *, at_once: bool) -> None:
        if self._ending is not None:
            self._ending.join()
        if self._pool is None:
            return
        if at_once:
            for process in list((self._pool._processes or {}).values()):
                process.terminate()
        self._pool.shutdown(wait=True, cancel_futures=at_once)
        self._pool = None


def _begin(derived: str) -> None:
    """Starts a worker: only the parent hears Ctrl-C, and no worker outlives the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _held.enter_context(working(Path(derived)))
    threading.Thread(target=_die_with_parent, daemon=True).start()


def _die_with_parent() -> None:
    parent = mp.parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)
