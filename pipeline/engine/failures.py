"""What went wrong in a step, in words: the reason, a cure, and whether trying again can help."""

import errno
import traceback
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import GlidelineError
from pipeline.store.provenance import Cause

_TRANSIENT = {errno.EIO, errno.ESTALE, errno.ETIMEDOUT, errno.EAGAIN, errno.EBUSY, errno.EINTR, errno.ENETDOWN}
_FULL = {errno.ENOSPC, errno.EDQUOT}


class WorkerKilledError(Exception):
    """Stands for the death of the process that was doing a job."""


class TableDamagedError(Exception):
    """A table is not the one that its row of ``run`` speaks of; it has been taken away."""


@dataclass(frozen=True)
class Failure:
    """``transient`` failures are tried again within the same run."""

    message: str
    cause: Cause
    transient: bool = False
    traceback: str = ""


def explain_failure(error: BaseException, *, doing: str) -> Failure:
    """The failure that an exception stands for.

    Errors meant for the user lie in the input; errors of the system and memory lie in the machine; anything else
    is a fault of the program, kept with its traceback for the log.
    """
    inner: BaseException | None = error
    while inner is not None and not isinstance(inner, OSError):
        inner = inner.__cause__
    if isinstance(inner, OSError) and inner.errno is not None:
        return _of_system(inner, doing)
    if isinstance(error, WorkerKilledError):
        cure = "look at the file; if it is sound, run again with --again and fewer --workers"
        return Failure(f"worker killed while {doing}, probably for want of memory; {cure}", "killed")
    if isinstance(error, TableDamagedError):
        return Failure(str(error), "machine")
    if isinstance(error, GlidelineError):
        return Failure(str(error), "input")
    if isinstance(error, MemoryError):
        return Failure(f"not enough memory while {doing}; run again with fewer --workers", "machine")
    text = "".join(traceback.format_exception(error))
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return Failure(
        f"fault in the program while {doing} ({what}); please report it with the traceback in derived/log/",
        "fault",
        traceback=text,
    )


def _of_system(error: OSError, doing: str) -> Failure:
    code, reason = error.errno, (error.strerror or str(error)).lower()
    if code in _FULL:
        cure = "free some space on the disk that holds derived/, then run again"
    elif isinstance(error, PermissionError):
        cure = "allow reading audio/ and writing derived/, then run again"
    elif isinstance(error, FileNotFoundError):
        name = Path(error.filename).name if isinstance(error.filename, str) else "a file"
        cure = (
            "put it there, or mend the path in transfer.csv (check proposes one if it finds the sound), then run again"
        )
        return Failure(f"{name} is not there ({doing}); {cure}", "machine")
    elif code == errno.ENOMEM:
        cure = "run again with fewer --workers"
    else:
        cure = "mend the disk or the network, then run again"
    name = f": {Path(error.filename).name}" if isinstance(error.filename, str) else ""
    return Failure(f"{reason} while {doing}{name}; {cure}", "machine", transient=code in _TRANSIENT)
