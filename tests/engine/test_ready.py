"""Compiling once, before the first run: noted beside the compiled code, and asked for again when the source changes."""

import threading
from concurrent.futures import ThreadPoolExecutor
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
    ready.make_ready(lambda: told.append(True), say=print)
    assert len(told) == len(ready.HALVES)
    assert ready.is_ready()
    monkeypatch.setattr(ready.numba, "__version__", "another")
    assert not ready.is_ready()


def test_a_half_that_fails_is_not_noted(note: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    halves(monkeypatch, "import sys; sys.exit(int(sys.argv[1]))")
    ready.make_ready(lambda: None, say=print)
    assert not ready.is_ready()


def test_where_nothing_can_be_written_it_goes_on(note: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    halves(monkeypatch, "pass")
    note.mkdir()
    ready.make_ready(lambda: None, say=print)
    assert not ready.is_ready()


def test_of_two_at_once_the_second_waits_and_says_so(
    note: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done, go = tmp_path / "done", tmp_path / "go"
    program = f"""
import sys, time
from pathlib import Path
print("ready", flush=True)
while not Path({str(go)!r}).exists():
    time.sleep(0.01)
Path({str(done)!r}).open("a").write(sys.argv[1])
"""
    halves(monkeypatch, program)
    begun, told, said = threading.Event(), [], []

    def say(text: str) -> None:
        said.append(text)
        go.touch()

    with ThreadPoolExecutor(1) as beside:
        first = beside.submit(ready.make_ready, begun.set, say=pytest.fail)
        assert begun.wait(60)
        ready.make_ready(lambda: told.append(True), say=say)
        first.result()
    assert said == ["Another command is preparing: waiting for it."]
    assert sorted(done.read_text()) == ["0", "1"]  # each half once
    assert len(told) == ready.PARTS
