"""The command line: one module per command, imported when that command is asked for.

A command is a typer-annotated function named like its module, with one sentence of help and an example. It
prints results on stdout and messages on stderr, and raises ``DataError`` (exit status 1) or ``UsageError`` (2).
"""

import errno
import gc
import os
import re
import sys
from difflib import get_close_matches
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from pipeline import __version__
from pipeline.cli.help import PlainCommand
from pipeline.cli.streams import PIPE_CUT, end, prepare, say
from pipeline.errors import GlidelineError, UsageError

# In the order in which a newcomer meets them, with a line for the list of all.
COMMANDS = {
    "demo": "Make an invented corpus with sound, and run everything on it.",
    "new": "Make an empty corpus to fill.",
    "add": "Draft catalogue rows from file names or your own sheet.",
    "check": "Name every problem in the corpus, with its place and cure.",
    "run": "Measure what needs it, then build the database.",
    "status": "Show what is done, what failed, and why.",
    "speed": "Show how fast each side should play, and how sure that is.",
    "part": "Keep the written part of a work, bar by bar.",
    "passage": "Show what each take does at the same written bars.",
    "hand": "Show likely strings and fingers, note by note.",
    "query": "Count slides by player, school, period and more.",
    "plan": "Tell how many players and minutes a comparison needs.",
    "report": "Build pages with charts, pictures and sound.",
    "listen": "Judge a random sample by ear; get error rates.",
    "export": "Write tables, codebook and methods for other programs.",
    "compare": "Tell what has changed since an earlier export.",
    "trace": "Tell where a number comes from.",
    "dictionary": "Explain every table and column.",
}


class _Commands(TyperGroup):
    """A group that imports a command's module only when that command (or the list of all) is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in COMMANDS:
            near = get_close_matches(cmd_name, COMMANDS, n=2)
            hint = f"did you mean {' or '.join(near)}?" if near else f"there are: {', '.join(COMMANDS)}"
            raise UsageError(f"no command {cmd_name!r}", hint)
        own = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)
        function = getattr(import_module(f"pipeline.cli.{cmd_name}"), cmd_name)
        own.command(
            cmd_name,
            cls=PlainCommand,
            short_help=COMMANDS[cmd_name],
            context_settings={"help_option_names": ["-h", "--help"]},
        )(function)
        return typer.main.get_command(own)


app = typer.Typer(
    cls=_Commands,
    add_completion=True,
    invoke_without_command=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"glideline {__version__}")
        raise typer.Exit


@app.callback()
def glideline(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Find, measure and compare slides between notes on 78 rpm-era string recordings.

    Start with: glideline demo
    """
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


# What all mistakes in a command line are to the library, which names only this child of it to others.
_MISTYPED: Any = typer.BadParameter.__mro__[1]


_WORDS = {
    "Input should be a valid integer, unable to parse string as an integer": "give a whole number",
    "Input should be a valid number, unable to parse string as a number": "give a number",
    "Input should be": "it should be",
    "Value error, ": "",
    "(s)": "",
}


def _in_our_words(error: Any) -> str:
    said = error.format_message().rstrip(".")
    for theirs, ours in _WORDS.items():
        said = said.replace(theirs, ours)
    command = error.ctx.command_path if error.ctx else "glideline"
    return f"{said[:1].lower()}{said[1:]}; `{command} --help` shows what may be given"


def main() -> None:
    """Entry point: exit status 0 fine, 1 a problem in the data, 2 wrong usage, 130 interrupted."""
    prepare()
    # What a command loads stays to its end: looking through it for garbage takes a fifth of a short one's time.
    gc.set_threshold(50_000, 20, 20)
    status = end(_status())
    gc.freeze()
    sys.exit(status)


def _status() -> int:
    try:
        return app(prog_name="glideline", standalone_mode=False) or 0
    except _MISTYPED as error:
        say(f"glideline: {_in_our_words(error)}")
        return 2
    except (typer.Abort, KeyboardInterrupt):
        say("glideline: stopped")
        return 130
    except UsageError as error:
        say(f"glideline: {error}")
        return 2
    except GlidelineError as error:
        say(f"glideline: {error}")
        return 1
    except BrokenPipeError:  # whoever read it has had enough
        return PIPE_CUT
    except OSError as error:
        if error.errno == errno.ENOMEM:
            say(NO_MEMORY)
            return 1
        named = f"{error.filename}: " if error.filename else ""
        reason = (os.strerror(error.errno) if error.errno else str(error)).lower()
        say(f"glideline: {named}{reason}; look whether it is there, may be used and has room")
        return 1
    except Exception as error:
        if _lacks_memory(error):
            say(NO_MEMORY)
            return 1
        if not isinstance(error.__context__, KeyboardInterrupt):
            if not _memory_is_limited():
                raise
            say(f"{NO_MEMORY} ({type(error).__name__}: {error})")  # libraries that lack it fail in ways of their own
            return 1
        say("glideline: stopped")  # what failed was the tidying up after it
        return 130


NO_MEMORY = "glideline: there is not enough memory for this; close other programs, or raise the limit (ulimit -v)"
# How loaders of libraries, threads and the system say it.
_NO_MEMORY = re.compile(
    "cannot allocate memory|failed to map segment|can't start new thread|launch worker thread|"
    "without (setting an )?exception( set)?"
)


def _memory_is_limited() -> bool:
    try:
        import resource
    except ImportError:  # not on Windows
        return False
    return resource.getrlimit(resource.RLIMIT_AS)[0] != resource.RLIM_INFINITY


def _lacks_memory(error: BaseException | None) -> bool:
    while error is not None:
        if isinstance(error, MemoryError) or _NO_MEMORY.search(str(error).lower()):
            return True
        error = error.__cause__ or error.__context__
    return False
