"""Every way in which a file can fail: one failed row with a reason and a cure; the other sides go on."""

import errno
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.engine.failures import WorkerKilledError, explain_failure
from pipeline.engine.runner import do_job
from pipeline.errors import AudioError
from pipeline.flows.run import plan
from pipeline.flows.status import status
from pipeline.steps.order import STEPS
from pipeline.store.corpus import Corpus
from pipeline.store.provenance import rows_of
from tests.helpers.tone_corpus import RATE_HZ, change, make_corpus, tables

TROUBLES = {
    "s00-a": "no audio file that can be decoded|not an audio file",
    "s01-a": "is empty",
    "s02-a": "cut short",
    "s03-a": "is silent",
    "s04-a": "clipped throughout",
    "s05-a": "says length_s",
    "s06-a": "not a number",
    "s07-a": "too short",
    "s08-a": "is cut short",
    "s09-a": "s09.wav is not there",
}


@pytest.fixture(scope="module")
def intaken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = make_corpus(tmp_path_factory.mktemp("failures") / "c", sides=12, seconds=3.0)
    audio = root / "audio"
    rng = np.random.default_rng(0)
    (audio / "s00.wav").write_bytes(b"a letter, not a sound" * 50)
    (audio / "s01.wav").write_bytes(b"")
    whole = (audio / "s02.wav").read_bytes()
    (audio / "s02.wav").write_bytes(whole[: len(whole) // 2])
    soundfile.write(audio / "s03.wav", np.zeros(3 * RATE_HZ), RATE_HZ)
    soundfile.write(audio / "s04.wav", np.sign(rng.normal(size=3 * RATE_HZ)), RATE_HZ)
    nan = rng.normal(0, 0.1, 3 * RATE_HZ)
    nan[5000] = np.nan
    soundfile.write(audio / "s06.wav", nan, RATE_HZ, subtype="FLOAT")
    soundfile.write(audio / "s07.wav", rng.normal(0, 0.1, RATE_HZ), RATE_HZ)
    (audio / "s08.wav").write_bytes(b"\0\0\0\x20ftypM4A " + bytes(500))
    (audio / "s09.wav").unlink()
    change(root, "transfer", "turntable_rpm\n", "turntable_rpm,length_s\n")
    change(root, "transfer", "s05.wav,78.26", "s05.wav,78.26,200")
    run_intake(root)
    return root


def run_intake(root: Path) -> set[str]:
    """The first step alone, in this process; gives the units that were due."""
    corpus = Corpus(root)
    planner = plan(corpus, STEPS, until="intake", only=None)
    planner.prepare()
    due = [(unit_id, transfers) for unit_id, transfers, _ in planner.due(0)]
    for unit_id, transfers in due:
        job = planner.job(0, unit_id, transfers)
        planner.learn(do_job(corpus, job, settings=corpus.settings, steps=STEPS))
    return {unit_id for unit_id, _ in due}


@pytest.mark.parametrize("transfer_id", sorted(TROUBLES))
def test_a_bad_file_is_one_failed_row(intaken: Path, transfer_id: str) -> None:
    import re

    rows = rows_of(Corpus(intaken).read("run", transfer_id))
    assert list(rows) == ["intake"]
    assert rows["intake"].outcome == "failed"
    assert re.search(TROUBLES[transfer_id], rows["intake"].message), rows["intake"].message
    assert ";" in rows["intake"].message  # what comes after it is the cure


def test_the_others_go_on(intaken: Path) -> None:
    for transfer_id in ("s10-a", "s11-a"):
        row = rows_of(Corpus(intaken).read("run", transfer_id))["intake"]
        assert (row.outcome, row.message) == ("done", "")
    assert sorted(name for name in tables(intaken) if name.startswith("claim/")) == [
        "claim/s10-a.parquet",
        "claim/s11-a.parquet",
    ]


def test_status_lists_failures_with_reasons(intaken: Path) -> None:
    steps = status(intaken).steps
    failed = steps.filter(steps["state"] == "failed")
    assert set(failed["transfer_id"]) == set(TROUBLES)
    waiting = steps.filter((steps["transfer_id"] == "s00-a") & (steps["step"] != "intake"))
    assert set(waiting["state"]) == {"waiting"}


def test_failures_are_tried_again_when_their_cause_has_changed(intaken: Path) -> None:
    files = [name for name in tables(intaken) if "s10-a" not in name]
    before = {name: tables(intaken)[name] for name in files}
    run_intake(intaken)
    assert {name: tables(intaken)[name] for name in files} == before
    with_sound = (intaken / "audio" / "s10.wav").read_bytes()
    (intaken / "audio" / "s09.wav").write_bytes(with_sound)
    assert "s09-a" in run_intake(intaken)
    assert rows_of(Corpus(intaken).read("run", "s09-a"))["intake"].outcome == "done"


@pytest.mark.parametrize(
    ("error", "cause", "words"),
    [
        (PermissionError(errno.EACCES, "Permission denied"), "machine", "allow reading"),
        (OSError(errno.ENOSPC, "No space left on device"), "machine", "free some space"),
        (OSError(errno.EIO, "Input/output error"), "machine", "mend the disk"),
        (MemoryError(), "machine", "fewer --workers"),
        (WorkerKilledError(), "killed", "fewer --workers"),
        (AudioError("s.wav: is silent; look"), "input", "look"),
        (ZeroDivisionError("division by zero"), "fault", "please report"),
    ],
)
def test_each_failure_has_a_cause_and_a_cure(error: BaseException, cause: str, words: str) -> None:
    failure = explain_failure(error, doing="step follow")
    assert failure.cause == cause
    assert words in failure.message
    assert failure.transient == (getattr(error, "errno", None) == errno.EIO)
    assert bool(failure.traceback) == (cause == "fault")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_that_may_not_be_read_fails_until_it_may(tmp_path: Path) -> None:
    root = make_corpus(tmp_path / "c", sides=1, seconds=3.0)
    (root / "audio" / "s00.wav").chmod(0)
    run_intake(root)
    assert "permission" in rows_of(Corpus(root).read("run", "s00-a"))["intake"].message
    (root / "audio" / "s00.wav").chmod(0o600)
    assert run_intake(root) == {"s00-a"}
    assert rows_of(Corpus(root).read("run", "s00-a"))["intake"].outcome == "done"
