"""The few exceptions that a user can meet.

Each message says what is wrong, where, which value was found, and a way out.
"""

import os
import shlex


class GlidelineError(Exception):
    """Base of all errors that are reported as one plain message, without a traceback."""


class DataError(GlidelineError):
    """Something in the corpus (catalogue, audio, reviews, settings) is wrong; exit status 1."""


class UsageError(GlidelineError):
    """The command or function was called wrongly; exit status 2."""


class AudioError(DataError):
    """An audio file cannot be read or measured; only its own transfer fails."""


def typed(path: "str | os.PathLike[str]") -> str:
    """A path as it is typed into a shell: in quotation marks if it has spaces or the like."""
    return shlex.quote(os.fspath(path))


def no_such_folder(root: "str | os.PathLike[str]") -> DataError:
    """What is said of a corpus folder that is not there."""
    return DataError(
        f"{os.fspath(root)}: there is no such folder; is the name right? `glideline new {typed(root)}` makes a corpus"
    )
