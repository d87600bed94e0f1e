"""Examples in docstrings, in help and in the README can be run as they stand."""

import doctest
import re
import shlex
from importlib import import_module
from pathlib import Path

import click
import pytest
import typer.main

import pipeline
from pipeline.cli import app
from tests.documented import examples

PACKAGE = Path(pipeline.__file__).parent
WITH_EXAMPLES = sorted(p for p in PACKAGE.rglob("*.py") if re.search(r"^ *>>> ", p.read_text(encoding="utf-8"), re.M))


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_docstrings(path: Path) -> None:
    name = ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
    found = doctest.testmod(import_module(name))
    assert found.attempted > 0
    assert found.failed == 0


def test_the_public_doors_have_examples() -> None:
    assert len(WITH_EXAMPLES) >= 10


@pytest.mark.parametrize("line", examples())
def test_commands_take_what_their_examples_give(line: str) -> None:
    _, *words = shlex.split(line)
    command: click.Command = typer.main.get_command(app)
    context = click.Context(command)
    while isinstance(command, click.Group):
        found = command.get_command(context, words[0])
        assert found is not None, line
        command, words = found, words[1:]
    made = command.make_context(command.name, list(words), resilient_parsing=False)
    assert made.params
