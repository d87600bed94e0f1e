"""Compiles what is needed once, before the first run: in processes beside each other, none of it twice.

A second command that comes meanwhile waits for the first.

``python -m pipeline.engine.make_ready`` works off the parts whose names it is given, a line each, and answers each
with a line.
"""

import gc
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack, suppress
from threading import Lock

from pipeline.engine import ready
from pipeline.environment import ONE_THREAD
from pipeline.errors import DataError
from pipeline.processes import start_loading, usable_cores
from pipeline.signal.first_use import PARTS, made_side
from pipeline.store.files.lock import HeldError, locked

LONGEST_S = 600.0  # for which another command is waited for
PLAIN_ERRORS = {"NUMBA_DISABLE_ERROR_MESSAGE_HIGHLIGHTING": "1"}
"""Types that do not fit are tried all along, and each message of that, which nobody sees, would be coloured."""


def make_ready(parts: Sequence[str], told: Callable[[], object], *, say: Callable[[str], object]) -> None:
    """Compiles those of ``parts`` that are not compiled yet; ``told`` is called as each is ready.

    ``say`` gets a message if another command is at it already. If it fails, workers meet the reason, and say it; where
    nothing can be kept, each process compiles for itself.
    """
    with ExitStack() as held:
        with suppress(OSError, DataError):  # nothing can be kept here, or it takes the other too long
            try:
                held.enter_context(_alone(wait_s=0.0))
            except HeldError:
                say("Another command is preparing: waiting for it.")
                held.enter_context(_alone(wait_s=LONGEST_S))
        there = ready.compiled_parts()
        for _ in there.intersection(parts):
            told()
        missing = [part for part in parts if part not in there]
        if _compile(missing, told):
            ready.note(there.union(missing))


def _alone(*, wait_s: float) -> AbstractContextManager[None]:
    folder = ready.folder()
    return locked(folder, say=lambda _: None, doing="prepare", wait_s=wait_s, wait_for_workers_s=None)


def _compile(parts: Sequence[str], told: Callable[[], object]) -> bool:
    """Compiles them, and says whether all went well."""
    waiting, taking = iter(parts), Lock()

    def take() -> str | None:
        with taking:
            return next(waiting, None)

    def work_off(_: int) -> bool:
        own = {"PYTHONPATH": os.pathsep.join(filter(None, sys.path)), **PLAIN_ERRORS}
        with (
            suppress(BrokenPipeError),
            subprocess.Popen(
                COMMAND,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=os.environ | ONE_THREAD | own,
                text=True,
            ) as process,
        ):
            for part in iter(take, None):
                print(part, file=process.stdin, flush=True)
                if not (process.stdout and process.stdout.readline()):
                    return False
                told()
            # While others are at their last part, what workers are forked from loads what is done.
            start_loading()
            return True
        return False

    crew = min(usable_cores(), len(parts))
    if not crew:
        return True
    with ThreadPoolExecutor(crew) as all_at_once:
        return all(all_at_once.map(work_off, range(crew)))


COMMAND = [sys.executable, "-P", "-m", "pipeline.engine.make_ready"]


if __name__ == "__main__":
    gc.disable()  # most of what numba makes stays, and looking for what does not takes an eighth of the time
    made = made_side()
    for line in sys.stdin:
        PARTS[line.strip()](made)
        print("ready", flush=True)
