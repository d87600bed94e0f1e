"""Runs that are killed, starved of disk or started twice: nothing is lost, mixed or left behind."""

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from pipeline.store import corpus as corpus_module
from tests.helpers.programs import environment, program
from tests.helpers.quick_run import explained, quick_run
from tests.helpers.tone_corpus import hand_kept, make_corpus, tables

SIDES, FEW_SIDES = 24, 8
posix = pytest.mark.skipif(os.name == "nt", reason="there is no SIGKILL on Windows")


def start(root: Path, *, sleep_s: float = 0.0) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        program("quick_run", root, 2),
        env=environment(QUICK_STEPS_SLEEP_S=str(sleep_s)),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def state(root: Path) -> set[tuple[str, int]]:
    """Files below ``derived/tables`` with their times: it changes when a run gets on."""
    found = set()
    for path in (root / "derived" / "tables").rglob("*"):
        with contextlib.suppress(OSError):
            found.add((path.name, path.stat().st_mtime_ns))
    return found


@pytest.fixture(scope="module")
def uninterrupted(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int], dict[str, bytes]]:
    """Tables of a run that nothing disturbed, by the number of sides."""

    @cache
    def tables_of(sides: int) -> dict[str, bytes]:
        root = make_corpus(tmp_path_factory.mktemp("whole") / "c", sides=sides)
        assert not quick_run(root).failed
        return tables(root)

    return tables_of


@posix
@pytest.mark.parametrize(
    ("sides", "wanted", "most_wait_s"),
    [
        pytest.param(FEW_SIDES, 3, 0.4, marks=pytest.mark.slow),
        pytest.param(SIDES, 15, 0.8, marks=pytest.mark.long),
    ],
)
def test_kills_lose_nothing(
    tmp_path: Path,
    uninterrupted: Callable[[int], dict[str, bytes]],
    sides: int,
    wanted: int,
    most_wait_s: float,
) -> None:
    root = make_corpus(tmp_path / "c", sides=sides)
    kept = hand_kept(root)
    rng = random.Random(20)
    kills = 0
    while kills < wanted:
        before = state(root)
        process = start(root, sleep_s=0.3)
        while state(root) == before and process.poll() is None:
            time.sleep(0.01)
        time.sleep(rng.uniform(0.0, most_wait_s))
        if process.poll() is None:
            kills += 1
            if kills % 2:
                process.kill()
            else:
                os.killpg(process.pid, signal.SIGKILL)  # workers too
            process.wait()
        else:  # it was quicker than its killer: begin anew
            assert tables(root) == uninterrupted(sides)
            shutil.rmtree(root / "derived")
    assert not quick_run(root).failed
    assert tables(root) == uninterrupted(sides)
    assert hand_kept(root) == kept
    assert quick_run(root).nothing_to_do


COMMAND = (
    "import pipeline.flows.run as run, sys\n"
    "run.ORDER, run.ALONE_S = 'tests.helpers.quick_steps', 0.0\n"
    "sys.argv = ['glideline', 'run', sys.argv[1], '--workers', '2']\n"
    "from pipeline.cli import main\n"
    "main()\n"
)


@posix
@pytest.mark.parametrize(
    ("sides", "attempts"),
    [pytest.param(FEW_SIDES, 1, marks=pytest.mark.slow), pytest.param(SIDES, 5, marks=pytest.mark.long)],
)
def test_kills_of_the_command_lose_nothing_and_leave_nothing_behind(
    tmp_path: Path, uninterrupted: Callable[[int], dict[str, bytes]], sides: int, attempts: int
) -> None:
    root = make_corpus(tmp_path / "c", sides=sides)
    kept = hand_kept(root)
    rng = random.Random(5)
    for attempt in range(attempts):
        before = state(root)
        null = subprocess.DEVNULL
        process = subprocess.Popen(
            [sys.executable, "-c", COMMAND, str(root)],
            env=environment(QUICK_STEPS_SLEEP_S="0.4"),
            stdout=null,
            stderr=null,
            start_new_session=True,
        )
        delay_s = rng.uniform(0.0, 2.0)
        if attempt or attempts == 1:  # the first of several is killed while its Prefect server starts
            while state(root) == before and process.poll() is None:
                time.sleep(0.02)
        time.sleep(delay_s)
        process.kill()
        process.wait()
    end = time.monotonic() + 60
    while _processes_of(root) and time.monotonic() < end:
        time.sleep(0.5)
    assert _processes_of(root) == []
    assert not quick_run(root).failed
    assert tables(root) == uninterrupted(sides)
    assert hand_kept(root) == kept


def _processes_of(root: Path) -> list[str]:
    """Command lines of processes whose Prefect home, or corpus, lies in ``root``."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            told = (process / "environ").read_bytes() + (process / "cmdline").read_bytes()
        except OSError:
            continue
        if str(root).encode() in told:
            found.append((process / "cmdline").read_text().replace("\0", " "))
    return found


def test_full_disk_fails_the_side_and_heals(
    tmp_path: Path, uninterrupted: Callable[[int], dict[str, bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    root = make_corpus(tmp_path / "c", sides=FEW_SIDES)
    monkeypatch.setenv("QUICK_STEPS", "s01-a full")
    summary = quick_run(root)
    assert [(t, step) for t, step, _ in summary.failed] == [("s01-a", "follow")]
    assert "no space left" in summary.failed[0][2]
    assert "free some space" in summary.failed[0][2]
    monkeypatch.delenv("QUICK_STEPS")
    assert not quick_run(root).failed
    assert tables(root) == uninterrupted(FEW_SIDES)


def test_full_disk_at_the_writer_leaves_no_half_tables(
    tmp_path: Path, uninterrupted: Callable[[int], dict[str, bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The writer fails at every fifth file, of rows as of tables; both must still belong together afterwards."""
    root = make_corpus(tmp_path / "c", sides=FEW_SIDES)
    write = corpus_module.write_parquet
    calls = 0

    def failing(table: object, path: Path) -> None:
        nonlocal calls
        calls += 1
        if calls % 5 == 0:
            path.write_bytes(b"PAR1 half")
            raise OSError(28, "No space left on device")
        write(table, path)

    monkeypatch.setattr(corpus_module, "write_parquet", failing)
    summary = quick_run(root)
    monkeypatch.undo()
    assert len(summary.failed) > FEW_SIDES / 4
    assert not [path for path in (root / "derived" / "tables").rglob("*") if path.name.endswith(".tmp")]
    assert not quick_run(root).failed
    assert tables(root) == uninterrupted(FEW_SIDES)


@posix
def test_two_runs_at_once(tmp_path: Path) -> None:
    from pipeline.errors import DataError

    root = make_corpus(tmp_path / "c", sides=4)
    first = start(root, sleep_s=0.2)
    note = root / "derived" / "run.holder.json"
    for _ in range(400):
        if note.exists():
            break
        time.sleep(0.05)
    with pytest.raises(DataError, match="another run is working on this corpus"):
        quick_run(root)
    assert first.wait(timeout=60) == 0
    assert quick_run(root).nothing_to_do


def test_a_fault_of_the_program_is_tried_again_by_every_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = make_corpus(tmp_path / "c", sides=4)
    monkeypatch.setenv("QUICK_STEPS", "s01-a faulty")
    for _ in range(2):
        summary = quick_run(root)
        assert [(t, step) for t, step, _ in summary.failed] == [("s01-a", "follow")]
        assert "fault in the program" in summary.failed[0][2]
        assert not summary.nothing_to_do
    assert summary.did["follow"] == {"failed": 1}  # nothing else is repeated
    monkeypatch.delenv("QUICK_STEPS")  # the program is mended
    assert explained(root)[0].startswith("follow of s01-a: failed for a reason that lay in the machine or the program")
    assert not quick_run(root).failed
    assert quick_run(root).nothing_to_do


def test_a_worker_that_dies_takes_only_its_side_along(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = make_corpus(tmp_path / "c", sides=5)
    monkeypatch.setenv("QUICK_STEPS", "s02-a dies")
    summary = quick_run(root, workers=2)
    assert [(t, step) for t, step, _ in summary.failed] == [("s02-a", "follow")]
    assert "worker killed" in summary.failed[0][2]
    assert summary.did["detect"]["done"] == 4
    assert quick_run(root).nothing_to_do  # not tried again until something changes, or --again
    monkeypatch.delenv("QUICK_STEPS")
    assert not quick_run(root, again=True).failed


def test_a_run_left_by_a_dead_process_is_taken_over(tmp_path: Path) -> None:
    import json
    import socket

    from pipeline.errors import DataError

    root = make_corpus(tmp_path / "c", sides=1)
    note = root / "derived" / "run.holder.json"
    note.parent.mkdir()
    note.write_text(json.dumps({"process": 4, "host": socket.gethostname(), "since": "2026-01-01T04:00:40+00:00"}))
    said: list[str] = []
    assert not quick_run(root, say=said.append).failed
    assert said == [
        f"An earlier run did not end properly (process 4 on {socket.gethostname()}, since 01 Jan 2026, 04:00 UTC); "
        "going on from where it stopped."
    ]
    note.write_text(json.dumps({"process": 4, "host": "another-machine", "since": "2026-01-01T04:00:40+00:00"}))
    with pytest.raises(DataError, match=r"delete derived/run\.holder\.json"):
        quick_run(root)
