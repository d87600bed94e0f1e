"""Helpers as programs of their own, and where Python finds them and the package under test."""

import os
import sys
from pathlib import Path

import pipeline

# The package that is tested first, so that an installed wheel is not hidden by the checkout beside these tests.
PYTHONPATH = os.pathsep.join([str(Path(pipeline.__file__).parents[1]), str(Path(__file__).parents[2])])


def environment(**more: str) -> dict[str, str]:
    """This process's variables, in which helpers are found."""
    return os.environ | {"PYTHONPATH": PYTHONPATH} | more


def as_a_user_has_it(**more: str) -> dict[str, str]:
    """The same, with modules kept compiled, as they are unless a developer's machine forbids it."""
    return {name: value for name, value in environment(**more).items() if name != "PYTHONDONTWRITEBYTECODE"}


def program(helper: str, *arguments: object) -> list[str]:
    """The command that runs a helper as a program."""
    return [sys.executable, "-P", "-m", f"tests.helpers.{helper}", *map(str, arguments)]
