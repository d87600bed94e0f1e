"""Makes the three standard streams and the environment fit for use, whatever they were started with."""

import codecs
import os
import re
import signal
import sys
import threading
import unicodedata
from types import FrameType

from pipeline.environment import NOT_FROM_HERE

# What is printed and not in every alphabet, and how it is written where it is not.
_PLAIN = str.maketrans(
    {
        "–": "-", "—": "-", "−": "-", "…": "...", "→": "->", "←": "<-", "×": "x", "±": "+-", "·": ".", "│": "|",
        "─": "-", "━": "-", "█": "#", "▏": "|", "▎": "|", "▍": "|", "▌": "#", "▋": "#", "▊": "#", "▉": "#",
        "‘": "'", "’": "'", "“": '"', "”": '"', "²": "2", "♭": "b", "♯": "#",
    }
)  # fmt: skip
# Libraries end in a panic where these, or the size of the terminal, are anything but a number.
_THREADS = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS", "RAYON_NUM_THREADS")

PIPE_CUT = 128 + 13  # as a shell says of what SIGPIPE has ended


def prepare() -> None:
    """Opens closed streams to nowhere, so that no file of ours takes their number; spells what they cannot print.

    Requests to end, by SIGTERM or by closing the terminal, are taken like Ctrl-C.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
        except OSError:
            os.dup2(os.open(os.devnull, os.O_RDWR), number)
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115
    codecs.register_error("glideline", _spelt)
    for stream in (sys.stdout, sys.stderr):
        if stream.encoding.lower().replace("-", "") != "utf8" and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="glideline")
    for name in (*_THREADS, "COLUMNS", "LINES"):
        if name in os.environ and not re.fullmatch("0*[1-9][0-9]*", os.environ[name]):
            del os.environ[name]
    for name, value in NOT_FROM_HERE.items():
        os.environ.setdefault(name, value)
    for asked in ("SIGTERM", "SIGHUP"):
        named = getattr(signal, asked, None)
        if named is None or threading.current_thread() is not threading.main_thread():
            continue
        if signal.getsignal(named) == signal.SIG_DFL:  # nohup has it ignored
            signal.signal(named, _stop)


def end(status: int) -> int:
    """The exit status, once all is written; another one, and a word, if it cannot be."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # whoever read it has had enough
        return status or PIPE_CUT
    except OSError as error:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        say(f"glideline: standard output: {(error.strerror or str(error)).lower()}; not all was written")
        return status or 1
    return status


def say(message: str) -> None:
    """A line on stderr; nothing if nobody can read it any more."""
    try:
        print(message, file=sys.stderr, flush=True)
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def _stop(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _spelt(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end].translate(_PLAIN)
    letters = unicodedata.normalize("NFKD", text).encode(error.encoding, "ignore").decode(error.encoding)
    bare = "".join(letter for letter in unicodedata.normalize("NFKD", text) if not unicodedata.combining(letter))
    return (letters if len(letters) == len(bare) else bare.encode("ascii", "replace").decode()), error.end
