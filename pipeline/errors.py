"""The few exceptions that a user can meet.

Each message says what is wrong, where, which value was found, and a way out.
"""


class GlidelineError(Exception):
    """Base of all errors that are reported as one plain message, without a traceback."""


class DataError(GlidelineError):
    """Something in the corpus (catalogue, audio, reviews, settings) is wrong; exit status 1."""


class UsageError(GlidelineError):
    """The command or function was called wrongly; exit status 2."""


class AudioError(DataError):
    """An audio file cannot be read or measured; only its own transfer fails."""
