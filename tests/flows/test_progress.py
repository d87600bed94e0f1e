"""How a run and a corpus are said to stand: nothing that failed is called done, nothing is guessed too early."""

import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.engine.jobs import Did, Report
from pipeline.flows.progress import Display, Tally, time_left_s
from pipeline.flows.run import begin, parts_for, prepare, run
from pipeline.signal.first_use import EACH_SIDE
from pipeline.store.corpus import Corpus
from tests.helpers.quick_run import QUICK, Words, planned, quick_run
from tests.helpers.tone_corpus import make_corpus, write_csv


def report(result: str) -> Report:
    did = Did("s00-a", "intake", result)
    return Report("s00-a", 0, (did,), {}, {}, 60.0)


def test_a_failed_job_is_not_done() -> None:
    tally = Tally("intake", 10)
    for result in ("done", "failed"):
        tally.add(report(result))
    assert tally.words() == "1 of 10 done, 1 failed, 8 left"  # too early for a rate or a time
    tally.add(report("done"))
    assert tally.words().startswith("2 of 10 done, 1 failed, 7 left, ")
    assert tally.words().endswith(" to go")


def test_time_left_is_told_once_enough_is_known() -> None:
    assert time_left_s(100.0, ended=2, total=10) is None
    assert time_left_s(100.0, ended=5, total=10) == pytest.approx(100.0)
    assert time_left_s(100.0, ended=10, total=10) is None


def test_a_side_that_two_stages_read_is_heard_once(tmp_path: Path) -> None:
    corpus = Corpus(make_corpus(tmp_path / "c", sides=1))
    work = begin(corpus, lambda files: planned(corpus, files), Words(print), steps_from=QUICK)
    for _ in range(2):
        work.learn(report("done"))
    assert work.conclude().sound_s == 60.0


def told(folder: Path) -> str:
    made = CliRunner().invoke(app, ["status", str(folder)])
    assert made.exit_code == 0
    return made.output


def test_status_before_a_run_and_after_a_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.flows.status.ORDER", "tests.helpers.quick_steps")
    root = make_corpus(tmp_path / "first", sides=3)
    before = told(root)
    assert [line for line in before.splitlines() if line.startswith("  s0")] == [
        f"  s0{number}-a: never run" for number in range(3)
    ]
    assert not quick_run(root).failed
    (root / "derived" / "corpus.duckdb").unlink()  # the quick one holds no tables
    assert "Waiting" not in told(root)
    shutil.copytree(root, tmp_path / "second")
    copied = told(tmp_path / "second")
    assert "3 files were copied or touched since" in copied
    assert "has changed" not in copied


def test_a_run_says_what_it_does_from_the_first(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("pipeline.flows.progress.PLAIN_EVERY_S", 0.05)
    display, tally = Display(), Tally("following the solo, measuring", 2)
    display.start(tally)
    for _ in range(200):  # no job ends, and yet it goes on telling
        if "0 of 2 done" in (said := capsys.readouterr().err):
            break
        time.sleep(0.05)
    display.stop(tally)
    assert "following the solo, measuring: 0 of 2 done, 0 failed, 2 left" in said
    tally.add(report("done"))
    assert tally.words().endswith(" to go")  # of two, one is enough to tell


def test_the_first_run_says_that_it_compiles_and_the_next_does_not(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    done: set[str] = set()

    def make_ready(parts: list[str], told: Callable[[], object], *, say: Callable[[str], object]) -> None:
        told()
        done.update(parts)

    monkeypatch.setattr("pipeline.flows.run.compiled_parts", lambda: done)
    monkeypatch.setattr("pipeline.engine.make_ready.make_ready", make_ready)
    prepare(Display(), ["line", "places"])
    assert "compiling (once): 1 done" in capsys.readouterr().err
    prepare(Display(), ["line", "places"])
    assert capsys.readouterr().err == ""


def test_the_first_word_comes_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    said = []

    def begin(*_: object, **__: object) -> None:
        said.append(capsys.readouterr().err)
        raise KeyboardInterrupt

    monkeypatch.setattr("pipeline.flows.run.begin", begin)
    with pytest.raises(KeyboardInterrupt):
        run(make_corpus(tmp_path / "c", sides=2), quiet=False)
    assert said == ["Looking at what must be done.\n"]


def test_only_what_the_sides_of_a_corpus_need_is_compiled_before_a_run(tmp_path: Path) -> None:
    plain = make_corpus(tmp_path / "c", sides=1)
    assert parts_for(Corpus(plain)) == list(EACH_SIDE)
    write_csv(plain, "take", "take_id,session_id,accompaniment", ["t-s00,x0,second_string"])
    write_csv(plain, "work", "work_id,title", ["w,Air"])
    write_csv(plain, "written_part", "work_id,edition", ["w,e"])
    assert parts_for(Corpus(plain)) == [*EACH_SIDE, "places", "players"]
