"""Worker processes: how they are started, with what loaded, and who hears Ctrl-C meanwhile.

On Linux they are forked, in a moment, from a server that has loaded all that works on sound; elsewhere each is begun
anew, and loads for seconds (macOS can fork, but its frameworks do not survive it).
"""

import multiprocessing as mp
import os
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import forkserver
from multiprocessing.context import BaseContext
from typing import Any

from pipeline.environment import ONE_THREAD, environment

LOADED = "pipeline.signal.loaded"
"""The module that loads what takes long; known by name alone, since it stands above this one."""


def pool(workers: int, begin: Callable[..., object] | None = None, *given: Any) -> ProcessPoolExecutor:
    """So many processes, each with its numeric libraries in one thread: they would wait for one another.

    ``begin`` is called in each, with what is ``given``, before it works.
    """
    with environment(ONE_THREAD):
        context = start_loading()
        return _Pool(workers, mp_context=context, initializer=_begin, initargs=(dict(os.environ), begin, given))


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def start_loading() -> BaseContext:
    """Starts what workers are forked from, without waiting for it, so that they come at once when they are wanted."""
    if not sys.platform.startswith("linux"):
        return mp.get_context("spawn")
    context = mp.get_context("forkserver")
    context.set_forkserver_preload([LOADED])
    with environment(ONE_THREAD), deaf():
        forkserver.ensure_running()
    return context


class _Pool(ProcessPoolExecutor):
    """Starts its processes as they are needed, under the same circumstances."""

    def submit(self, *given: Any, **named: Any) -> Any:
        with environment(ONE_THREAD), deaf():
            return super().submit(*given, **named)


@contextmanager
def deaf() -> Iterator[None]:
    """What is started in this block does not hear Ctrl-C until it says so; this process hears it afterwards."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(variables: dict[str, str], begin: Callable[..., object] | None, given: tuple[Any, ...]) -> None:
    """Starts a worker: with the variables of the process that wants it, not of that which it was forked from."""
    for name in set(os.environ) - set(variables):
        del os.environ[name]
    os.environ.update(variables)
    if begin is not None:
        begin(*given)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
