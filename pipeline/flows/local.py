"""The engine of one machine: worker processes that know nothing of the scheduler.

When a worker dies, the pool dies with it, and any of the batches in flight may be the cause. Each of them is
then done alone, in a process of its own: what kills its worker again is noted as failed, the rest goes on.
"""

import contextlib
import multiprocessing as mp
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from multiprocessing.connection import wait as wait_for
from pathlib import Path

from pipeline.flows.work import ONE_THREAD, Batch, do_batch
from pipeline.steps.jobs import Report
from pipeline.store.lock import working

_held = contextlib.ExitStack()


def run_batches(
    batches: Iterator[Batch], on_report: Callable[[Report], None], *, workers: int, derived: Path
) -> None:
    """Does all batches in ``workers`` processes; calls ``on_report`` in this process as jobs finish.

    ``batches`` is drawn from only as workers become free. When this is interrupted, the workers are ended.
    """
    with _one_thread():
        pool = _pool(workers, derived)
        flying: dict[Future[list[Report]], Batch] = {}
        try:
            left = True
            while left or flying:
                while left and len(flying) < workers + 1:  # one waits, so that no worker does
                    batch = next(batches, None)
                    if batch is None:
                        left = False
                    else:
                        flying[_submit(pool, batch)] = batch
                if not flying:
                    continue
                done, _ = wait(flying, return_when=FIRST_COMPLETED)
                suspects: list[Batch] = []
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
                    _end(pool)
                    for batch in suspects:
                        _alone(batch, derived, on_report)
                    pool = _pool(workers, derived)
        except BaseException:
            _end(pool)
            raise
        pool.shutdown()


def _alone(batch: Batch, derived: Path, on_report: Callable[[Report], None]) -> None:
    for job in batch.jobs:
        single = Batch(batch.root, batch.settings, (job,))
        pool = _pool(1, derived)
        try:
            reports = pool.submit(do_batch, single).result()
        except BrokenProcessPool:
            killed = Batch(batch.root, batch.settings, (replace(job, killed=True),))
            reports = do_batch(killed)
        finally:
            _end(pool)
        for report in reports:
            on_report(report)


def _submit(pool: ProcessPoolExecutor, batch: Batch) -> Future[list[Report]]:
    try:
        return pool.submit(do_batch, batch)
    except BrokenProcessPool as error:  # a worker died while none was looking
        failed: Future[list[Report]] = Future()
        failed.set_exception(error)
        return failed


def _pool(workers: int, derived: Path) -> ProcessPoolExecutor:
    context = mp.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=_begin, initargs=(str(derived),))


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


def _end(pool: ProcessPoolExecutor) -> None:
    for process in list((pool._processes or {}).values()):
        process.terminate()
    pool.shutdown(wait=True, cancel_futures=True)


@contextlib.contextmanager
def _one_thread() -> Iterator[None]:
    """Workers take over the environment; ours is put back, since this process may use more threads."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
