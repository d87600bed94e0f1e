"""The few exceptions that a user can meet.

Each says what is wrong, where, which value was found, and a way out.
"""

import os
import shlex
import subprocess
from collections.abc import Sequence


class GlidelineError(Exception):
    """Base of all errors that are reported as one plain message, without a traceback.

    ``message``: what is wrong; ``cure``: a way out, empty where the message is one; ``where``: the file or thing that
    it is about, where the message does not name it. As text: ``where: message; cure``.
    """

    def __init__(self, message: str, cure: str = "", where: str = "") -> None:
        super().__init__(message, cure, where)
        self.message, self.cure, self.where = message, cure, where

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        return f"{place}{self.message}; {self.cure}" if self.cure else place + self.message


class DataError(GlidelineError):
    """Something in the corpus (catalogue, audio, reviews, settings) is wrong; exit status 1."""


class UsageError(GlidelineError):
    """The command or function was called wrongly; exit status 2."""


class AudioError(DataError):
    """An audio file cannot be read or measured; only its own transfer fails."""


class CombinedError(DataError):
    """All that is wrong with one thing, at once."""

    def __init__(self, errors: Sequence[GlidelineError]) -> None:
        super().__init__("\n".join(map(str, errors)))
        self.args = (errors,)
        self.errors = tuple(errors)


def typed(path: "str | os.PathLike[str]") -> str:
    """A path as it is typed into a shell: in quotation marks if it has spaces or the like."""
    text = os.fspath(path)
    return subprocess.list2cmdline([text]) if os.name == "nt" else shlex.quote(text)


def no_such_folder(root: "str | os.PathLike[str]") -> DataError:
    """What is said of a corpus folder that is not there."""
    cure = f"is the name right? `glideline new {typed(root)}` makes a corpus"
    return DataError("there is no such folder", cure, where=os.fspath(root))
