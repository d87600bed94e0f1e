"""Compiling once, before the first run: noted beside the compiled code, and asked for again when the source changes."""

from pathlib import Path

import pytest

from pipeline.engine import ready


@pytest.fixture
def note(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where it is noted."""
    monkeypatch.setattr(ready, "_note", lambda: tmp_path / "note.txt")
    return tmp_path / "note.txt"


def halves(monkeypatch: pytest.MonkeyPatch, program: str) -> None:
    """Lets a small program stand for each half."""
    monkeypatch.setattr(ready, "_command", lambda half: [ready.sys.executable, "-c", program, str(half)])


def test_what_is_compiled_is_noted_until_the_source_changes(note: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    halves(monkeypatch, "print('ready')")
    told: list[bool] = []
    assert not ready.is_ready()
    ready.make_ready(lambda: told.append(True))
    assert len(told) == len(ready.HALVES)
    assert ready.is_ready()
    monkeypatch.setattr(ready.numba, "__version__", "another")
    assert not ready.is_ready()


def test_a_half_that_fails_is_not_noted(note: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    halves(monkeypatch, "import sys; sys.exit(int(sys.argv[1]))")
    ready.make_ready(lambda: None)
    assert not ready.is_ready()


def test_where_nothing_can_be_written_it_goes_on(note: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    halves(monkeypatch, "pass")
    note.mkdir()
    ready.make_ready(lambda: None)
    assert not ready.is_ready()
