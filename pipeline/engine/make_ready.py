"""Compiles everything once, before the first run: in two processes beside each other, none of it twice.

A second command that comes meanwhile waits for the first.

``python -m pipeline.engine.make_ready HALF`` works off one half, and prints a line for each of its parts.
"""

import gc
import os
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack, suppress

from pipeline.engine import ready
from pipeline.environment import ONE_THREAD
from pipeline.errors import DataError
from pipeline.signal.first_use import HALVES, use
from pipeline.store.files.lock import HeldError, locked

PARTS = sum(len(half) for half in HALVES)
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
            for _ in range(PARTS):
                told()


def _alone(*, wait_s: float) -> AbstractContextManager[None]:
    folder = ready.folder()
    return locked(folder, say=lambda _: None, doing="prepare", wait_s=wait_s, wait_for_workers_s=None)


def _compile(told: Callable[[], object]) -> None:

    def follow(half: int) -> bool:
        own = {"PYTHONPATH": os.pathsep.join(filter(None, sys.path)), **PLAIN_ERRORS}
        with subprocess.Popen(
            _command(half), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=os.environ | ONE_THREAD | own
        ) as process:
            for _ in process.stdout or ():
                told()
        return process.returncode == 0

    with ThreadPoolExecutor(len(HALVES)) as both:
        if all(both.map(follow, range(len(HALVES)))):
            ready.note()


def _command(half: int) -> list[str]:
    return [sys.executable, "-P", "-m", "pipeline.engine.make_ready", str(half)]


if __name__ == "__main__":
    gc.disable()  # most of what numba makes stays, and looking for what does not takes an eighth of the time
    use(HALVES[int(sys.argv[1])], lambda: print("ready", flush=True))
