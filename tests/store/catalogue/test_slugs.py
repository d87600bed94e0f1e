"""Names that other systems cannot hold. Rules: Microsoft, Naming Files, Paths, and Namespaces."""

import os
from pathlib import Path

import pytest

from pipeline.errors import typed
from pipeline.store.catalogue.slugs import slug, unportable


@pytest.mark.parametrize(
    ("path", "reason"),
    [
        ("CON.m4a", "CON is a name that Windows keeps for itself"),
        ("owl/lpt1.side-a.wav", "lpt1 is a name that Windows keeps for itself"),
        ("owl/take 1: air.wav", "Windows allows no ':' in a name"),
        ("air?.wav", "Windows allows no '?' in a name"),
        ("owl./a.wav", "Windows drops a point or space at the end of a name"),
        ("é" * 130 + ".wav", "its name is longer than the 255 bytes that file systems allow"),
        ("Träumerei, op. 15 – 7 (take 2).wav", ""),
        ("console.wav", ""),
    ],
)
def test_a_file_that_cannot_be_on_windows_is_told(path: str, reason: str) -> None:
    assert unportable(path) == reason


@pytest.mark.parametrize("name", ["Con", "AUX.", "nul", "LPT9"])
def test_no_id_is_a_device(name: str) -> None:
    assert slug(name).endswith("-1")


def test_commands_quote_paths_as_their_shell_does(monkeypatch: pytest.MonkeyPatch) -> None:
    assert typed(Path("my corpus")) == ("'my corpus'" if os.name == "posix" else '"my corpus"')
    monkeypatch.setattr(os, "name", "nt")
    assert typed("my corpus") == '"my corpus"'
    assert typed("corpus") == "corpus"
