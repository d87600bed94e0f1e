"""Compiles everything once, before the first run: in processes beside each other, none of it twice.

A second command that comes meanwhile waits for the first.

``python -m pipeline.engine.make_ready`` works off the parts whose numbers it is given, a line each, and answers each
with a line.
"""

import gc
import os
import subprocess
import sys
from collections.abc import Callable
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


def make_ready(told: Callable[[], object], *, say: Callable[[str], object]) -> None:
    """Compiles what is not compiled yet; ``told`` is called as each of ``PARTS`` is ready.

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
        if not ready.is_ready():
            _compile(told)
        else:
            for _ in PARTS:
                told()


def _alone(*, wait_s: float) -> AbstractContextManager[None]:
    folder = ready.folder()
    return locked(folder, say=lambda _: None, doing="prepare", wait_s=wait_s, wait_for_workers_s=None)


def _compile(told: Callable[[], object]) -> None:
    waiting, taking = iter(range(len(PARTS))), Lock()

    def take() -> int | None:
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

    crew = min(usable_cores(), len(PARTS))
    with ThreadPoolExecutor(crew) as all_at_once:
        if all(all_at_once.map(work_off, range(crew))):
            ready.note()


COMMAND = [sys.executable, "-P", "-m", "pipeline.engine.make_ready"]


if __name__ == "__main__":
    gc.disable()  # most of what numba makes stays, and looking for what does not takes an eighth of the time
    made = made_side()
    for number in sys.stdin:
        PARTS[int(number)](made)
        print("ready", flush=True)
