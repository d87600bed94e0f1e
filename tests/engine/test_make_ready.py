"""Compiling once, before the first run: part by part in several processes, by one command at a time."""

import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from pipeline.engine import make_ready, ready


@pytest.fixture
def note(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where it is noted; workers are not loaded for, and two cores are at hand."""
    monkeypatch.setattr(ready, "folder", lambda: tmp_path)
    monkeypatch.setattr(make_ready, "start_loading", lambda: None)
    monkeypatch.setattr(make_ready, "usable_cores", lambda: 2)
    return tmp_path / ready._NOTE


EACH = "import sys\nfor part in sys.stdin: print('ready', flush=True)"


PARTS = ("line", "tuning", "places")


def crew(monkeypatch: pytest.MonkeyPatch, program: str) -> None:
    """Lets a small program stand for each process."""
    monkeypatch.setattr(make_ready, "COMMAND", [sys.executable, "-c", program])


def test_what_is_compiled_is_noted_until_the_source_changes(note: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    crew(monkeypatch, EACH)
    told: list[bool] = []
    assert not ready.compiled_parts()
    make_ready.make_ready(PARTS, lambda: told.append(True), say=print)
    assert len(told) == len(PARTS)
    assert ready.compiled_parts() == set(PARTS)
    monkeypatch.setattr(ready, "version", lambda _: "another")
    assert not ready.compiled_parts()


def test_what_is_needed_later_is_compiled_later_and_nothing_twice(
    note: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = tmp_path / "done"
    crew(monkeypatch, EACH.replace("print", f"open({str(done)!r}, 'a').write(part); print"))
    told: list[bool] = []
    make_ready.make_ready(PARTS[:2], lambda: None, say=print)
    make_ready.make_ready(PARTS, lambda: told.append(True), say=print)
    assert sorted(done.read_text().split()) == sorted(PARTS)
    assert len(told) == len(PARTS)
    assert ready.compiled_parts() == set(PARTS)


def test_a_part_that_fails_is_not_noted(note: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    crew(monkeypatch, EACH.replace("print", "part == 'tuning\\n' and sys.exit(1) or print"))
    make_ready.make_ready(PARTS, lambda: None, say=print)
    assert not ready.compiled_parts()


def test_where_nothing_can_be_written_it_goes_on(note: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    crew(monkeypatch, EACH)
    note.mkdir()
    make_ready.make_ready(PARTS, lambda: None, say=print)
    assert not ready.compiled_parts()


def test_of_two_at_once_the_second_waits_and_says_so(
    note: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done, go = tmp_path / "done", tmp_path / "go"
    program = f"""
import sys, time
from pathlib import Path
for part in sys.stdin:
    print("ready", flush=True)
    while not Path({str(go)!r}).exists():
        time.sleep(0.01)
    Path({str(done)!r}).open("a").write(part)
"""
    crew(monkeypatch, program)
    begun, told, said = threading.Event(), [], []

    def say(text: str) -> None:
        said.append(text)
        go.touch()

    with ThreadPoolExecutor(1) as beside:
        first = beside.submit(make_ready.make_ready, PARTS, begun.set, say=pytest.fail)
        assert begun.wait(60)
        make_ready.make_ready(PARTS, lambda: told.append(True), say=say)
        first.result()
    assert said == ["Another command is preparing: waiting for it."]
    assert sorted(done.read_text().split()) == sorted(PARTS)  # each once
    assert len(told) == len(PARTS)
