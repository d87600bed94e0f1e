"""Help of every command: plain words, an example, and one name for what all commands take."""

import re

import pytest

from pipeline.cli import COMMANDS
from tests.helpers.spoilt_corpus import glideline


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_plain(command: str) -> None:
    said = glideline(command, "--help")
    assert said.status == 0
    assert f"Example: glideline {command}" in said.out
    assert not re.search(r"[<>]=|<(?!listener>)|\{|\[required\]", said.out)
    told = re.search(r"^  DIR +(.*)", said.out, re.MULTILINE)
    if told and command not in ("demo", "new", "plan"):  # which make it, or say what it is for
        assert told[1] == "The corpus folder."
