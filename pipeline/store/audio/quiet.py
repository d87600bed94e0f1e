"""Keeps what a C library writes to standard error of its own accord from the terminal."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from threading import RLock

_LOCK = RLock()


@contextmanager
def quiet() -> Iterator[None]:
    """Standard error goes nowhere meanwhile, for the whole process; no effect where it is closed."""
    with _LOCK:
        try:
            kept = os.dup(2)
        except OSError:
            yield
            return
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 2)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(nowhere)
            os.close(kept)
