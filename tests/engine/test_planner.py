"""What repeats and what does not: decided by content alone."""

import os
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import soundfile
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import DataError
from pipeline.flows.status import status
from pipeline.flows.summary_lines import summary_lines
from pipeline.steps.base import AnyStep, StepInput, StepOutput
from pipeline.store.checks.check import check
from pipeline.store.corpus import Corpus
from tests.helpers import quick_steps
from tests.helpers.quick_run import explained, quick_run, ran
from tests.helpers.quick_steps import filled
from tests.helpers.tone_corpus import change, make_corpus, tables, write_csv, write_tone

ALL = {"intake", "follow", "measure", "settle", "detect"}
SESSION = ("s00-a", "s01-a", "s02-a")


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = make_corpus(tmp_path_factory.mktemp("measured") / "c", sides=5)
    assert not quick_run(made).failed
    return made


@pytest.fixture
def root(measured: Path, tmp_path: Path) -> Path:
    shutil.copytree(measured, tmp_path / "c")
    quick_run(tmp_path / "c")  # the copies have other times: nothing but their hashes is taken in
    return tmp_path / "c"


def test_a_second_run_does_nothing(root: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in (root / "derived").rglob("*.parquet")}
    summary = quick_run(root)
    assert summary.nothing_to_do
    assert {path: path.stat().st_mtime_ns for path in (root / "derived").rglob("*.parquet")} == before
    assert explained(root) == []


def test_the_same_sound_under_another_name_is_told_before_it_is_measured(root: Path) -> None:
    twin = "s00-b: other.wav holds the very same sound as s00.wav (s00-a)"
    shutil.copyfile(root / "audio" / "s00.wav", root / "audio" / "other.wav")
    assert status(root).twins == []
    transfers = root / "catalogue" / "transfer.csv"
    transfers.write_text(transfers.read_text(encoding="utf-8").rstrip() + "\ns00-b,s00,other.wav,78.26\n")
    assert status(root).twins == [twin]
    said = CliRunner().invoke(app, ["status", str(root)]).stdout
    assert "keep one of the two rows in transfer.csv" in said
    assert twin in said
    quick_run(root)
    # From then on by its samples, whatever its bytes.
    write_tagged(root / "audio" / "other.wav")
    quick_run(root)
    assert status(root).twins == [twin]


def write_tagged(path: Path) -> None:
    """The same samples in a file of other bytes."""
    samples, rate = soundfile.read(path, dtype="int16")
    with soundfile.SoundFile(path, "w", rate, 1, subtype="PCM_16") as file:
        file.title = "Air"
        file.write(samples)


def test_a_reference_pitch_repeats_settle_and_later_for_its_session_only(root: Path) -> None:
    change(root, "reference_pitch", "440", "435")
    lines = explained(root)
    assert "settle of x0: s00-a, reference pitch in Hz changed from 440 to 435" in lines
    # what only may follow from it is one line, not one for each side
    assert lines[-1].startswith("then, as far as what they read changes: detect (")
    assert not [line for line in lines if line.startswith("detect of")]
    assert ran(root) == {(t, step) for t in SESSION for step in ("settle", "detect")}


def test_a_name_repeats_nothing(root: Path) -> None:
    change(root, "player", "A. Player", "Another Player")
    assert explained(root) == []
    assert ran(root) == set()


def test_a_new_time_stamp_repeats_nothing(root: Path) -> None:
    os.utime(root / "audio" / "s01.wav", (1, 1))
    assert ran(root) == set()
    assert explained(root) == []  # and the file is not hashed again


def test_new_tags_repeat_no_measurement(root: Path) -> None:
    path = root / "audio" / "s01.wav"
    samples, rate = soundfile.read(path, dtype="int16")
    with soundfile.SoundFile(path, "w", rate, 1, "PCM_16") as file:
        file.title = "Something else"
        file.write(samples)
    assert ran(root) == {("s01-a", "intake")}


def test_a_renamed_file_keeps_its_results(root: Path) -> None:
    before = tables(root)
    (root / "audio" / "s01.wav").rename(root / "audio" / "another name.wav")
    missing = quick_run(root)
    assert [(t, step) for t, step, _ in missing.failed] == [("s01-a", "intake")]
    assert "s01.wav" in missing.failed[0][2]
    assert tables(root) == before  # kept while the file is looked for
    change(root, "transfer", "s01.wav", "another name.wav")
    assert ran(root) == set()
    assert tables(root) == before


def test_a_replaced_file_sets_old_results_aside(root: Path) -> None:
    old = tables(root)
    write_tone(root / "audio" / "s04.wav", seed=99)
    assert {step for t, step in ran(root) if t == "s04-a"} == ALL
    new = tables(root)
    assert new["pitch_frame/s04-a.parquet"] != old["pitch_frame/s04-a.parquet"]
    aside = list((root / "derived" / "stale" / "s04-a").glob("*/pitch_frame.parquet"))
    assert [path.read_bytes() for path in aside] == [old["pitch_frame/s04-a.parquet"]]


def test_a_file_that_breaks_takes_its_old_results_away(root: Path) -> None:
    (root / "audio" / "s04.wav").write_bytes(b"no sound at all")
    summary = quick_run(root)
    assert [(t, step) for t, step, _ in summary.failed] == [("s04-a", "intake")]
    assert [name for name in tables(root) if "s04-a" in name] == ["run/s04-a.parquet"]
    again = quick_run(root)
    assert again.nothing_to_do  # the cause has not changed
    assert len(again.failed) == 1  # but it still fails, and says so
    write_tone(root / "audio" / "s04.wav", seed=4)
    assert not quick_run(root).failed


def test_removed_transfers_are_cleared_and_come_back(root: Path) -> None:
    before = tables(root)
    text = (root / "catalogue" / "transfer.csv").read_text()
    (root / "catalogue" / "transfer.csv").write_text(text.replace("s04-a,s04,s04.wav,78.26\n", ""))
    said: list[str] = []
    quick_run(root, say=said.append)
    assert not [name for name in tables(root) if "s04-a" in name]
    (root / "catalogue" / "transfer.csv").write_text(text)
    assert {t for t, _ in ran(root)} <= {"s03-a", "s04-a"}  # their session is settled again, nothing is measured
    assert tables(root) == before


def test_a_broken_catalogue_clears_nothing(root: Path) -> None:
    before = tables(root)
    change(root, "transfer", "s04-a,s04", "S04 A!,s04")
    quick_run(root)
    assert {name for name in tables(root) if "s04-a" in name} == {name for name in before if "s04-a" in name}


def test_a_new_step_version_repeats_that_step_and_what_changes(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    newer = tuple(replace(s, version=2) if s.name == "measure" else s for s in quick_steps.STEPS)
    monkeypatch.setattr(quick_steps, "STEPS", newer)
    lines = explained(root)
    assert "measure of s00-a: version of the step changed 1 → 2" in lines
    assert not [line for line in lines if line.startswith(("intake", "follow"))]


def test_a_setting_repeats_its_step(root: Path) -> None:
    (root / "settings.toml").write_text('title = "made"\n[intake]\nshortest_s = 0.5\n')
    lines = explained(root)
    assert any(line.startswith("intake of s00-a: setting shortest_s changed") for line in lines)
    assert ran(root) == {(f"s{n:02d}-a", "intake") for n in range(5)}


def test_a_table_that_is_gone_is_made_again(root: Path) -> None:
    before = tables(root)
    (root / "derived" / "tables" / "melody" / "s02-a.parquet").unlink()
    assert explained(root) == ["detect of s02-a: a table that it wrote is gone: melody"]
    assert ran(root) == {("s02-a", "detect")}
    assert tables(root) == before


def truncated(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-300])


def garbled(path: Path) -> None:
    """Other bytes in the middle; length, head and foot as they were."""
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 40] = bytes(byte ^ 0x5A for byte in content[middle : middle + 40])
    path.write_bytes(content)


def swapped(path: Path) -> None:
    """A sound table, but of another side."""
    path.write_bytes(path.with_name("s01-a.parquet").read_bytes())


@pytest.mark.parametrize("damage", [truncated, garbled, swapped])
@pytest.mark.parametrize(("table", "step"), [("melody", "detect"), ("pitch_frame", "follow")])
def test_a_damaged_table_is_made_again(root: Path, damage: Callable[[Path], None], table: str, step: str) -> None:
    before = tables(root)
    damage(root / "derived" / "tables" / table / "s02-a.parquet")
    assert explained(root)[0] == f"{step} of s02-a: a table that it wrote is damaged or has been changed: {table}"
    said: list[str] = []
    assert ran(root, say=said.append) == {("s02-a", step)}
    assert said == [f"Damaged or changed from outside, and made anew: {table} of s02-a."]
    assert tables(root) == before
    assert quick_run(root).nothing_to_do


@pytest.mark.parametrize("damage", [truncated, garbled])
def test_a_damaged_record_of_runs_is_made_again(root: Path, damage: Callable[[Path], None]) -> None:
    before = tables(root)
    damage(root / "derived" / "tables" / "run" / "s02-a.parquet")
    said: list[str] = []
    assert {t for t, step in ran(root, say=said.append) if step != "settle"} == {"s02-a"}
    assert said == ["The record of runs of s02-a was damaged: measured anew."]
    assert tables(root) == before
    assert quick_run(root).nothing_to_do


def garbled_unseen(path: Path) -> None:
    """As a failing disk does it: neither size nor time of the file tells."""
    times = path.stat()
    garbled(path)
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def test_damage_that_leaves_no_trace_outside_is_found_on_reading(root: Path) -> None:
    before = tables(root)
    garbled_unseen(root / "derived" / "tables" / "pitch_frame" / "s02-a.parquet")
    assert ran(root) == set()
    change(root, "reference_pitch", "440", "435")  # now detect must read it
    first = quick_run(root)
    assert [(t, step) for t, step, _ in first.failed] == [("s02-a", "detect")]
    assert "pitch_frame of s02-a is gone or damaged; run again" in first.failed[0][2]
    change(root, "reference_pitch", "435", "440")
    assert not quick_run(root).failed
    assert tables(root) == before


def test_rehash_finds_damage_that_leaves_no_trace_outside(root: Path) -> None:
    before = tables(root)
    garbled_unseen(root / "derived" / "tables" / "melody" / "s02-a.parquet")
    assert ran(root) == set()
    assert ("s02-a", "detect") in ran(root, rehash=True)
    assert tables(root) == before


def test_a_damaged_reading_file_is_made_again(root: Path) -> None:
    before = tables(root)
    for damaged in (root / "derived" / "compacted").glob("*/run/*.parquet"):
        damaged.write_bytes(damaged.read_bytes()[:100])
    assert explained(root) == []
    quick_run(root)
    assert tables(root) == before
    assert all(path.stat().st_size > 100 for path in (root / "derived" / "compacted").glob("*/*/*.parquet"))


def test_reading_files_brought_up_to_date_are_those_made_anew(root: Path) -> None:
    write_tone(root / "audio" / "s01.wav", seed=50)
    change(root, "transfer", "s04-a,s04,s04.wav,78.26\n", "")
    quick_run(root)
    folder = root / "derived" / "compacted"

    def reading() -> dict[str, bytes]:
        newest = folder / (folder / "CURRENT").read_text().strip()
        return {path.relative_to(newest).as_posix(): path.read_bytes() for path in newest.glob("*/*.parquet")}

    made = reading()
    shutil.rmtree(folder)
    quick_run(root)
    assert len(made) == 4
    assert reading() == made


def test_one_transfer_only(root: Path) -> None:
    assert {t for t, _ in ran(root, again=True, only=frozenset({"s04-a"}))} == {"s03-a", "s04-a"}


def test_sides_of_the_same_session_whose_speed_moved_are_told_apart(root: Path) -> None:
    change(root, "take", "t-s03,x1", "t-s03,x0")
    done = ran(root)
    assert {t for t, step in done if step == "settle"} == {"s00-a", "s01-a", "s02-a", "s03-a", "s04-a"}
    assert not [step for _, step in done if step in ("intake", "follow", "measure")]


def _settle_with_speed(given: StepInput) -> StepOutput:
    """As the quick step, with a speed that follows from what all sides of the session sound."""
    made = settle(given)
    shared = [made.tables[t]["speed_curve"]["correction_cents"].sum() for t in sorted(given.tables)]
    return StepOutput({t: {**made.tables[t], "speed": filled("speed", t, shared)} for t in given.tables}, {})


settle = next(step for step in quick_steps.STEPS if step.name == "settle").run


def test_sides_that_only_their_session_moved_are_listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = tuple(
        replace(s, writes=(*s.writes, "speed"), run=_settle_with_speed) if s.name == "settle" else s
        for s in quick_steps.STEPS
    )
    monkeypatch.setattr(quick_steps, "STEPS", steps)
    root = make_corpus(tmp_path / "c", sides=5)
    assert quick_run(root).moved == []  # nothing stood before
    write_tone(root / "audio" / "s01.wav", seed=77)
    summary = quick_run(root)
    assert [line.partition(":")[0] for line in summary.moved] == ["s00-a", "s02-a"]  # not s01-a, nor the other session
    assert re.fullmatch(r"s00-a: speed moved from [+-][0-9.]+ to [+-][0-9.]+ cents with its session", summary.moved[0])
    lines = list(summary_lines(summary))
    assert (
        lines[lines.index("2 transfers moved in speed although nothing of their own changed:") + 1].strip()
        == summary.moved[0]
    )
    change(root, "reference_pitch", "440", "435")  # of s00-a alone
    assert [line.partition(":")[0] for line in quick_run(root).moved] == ["s01-a", "s02-a"]


def test_speeds_of_an_older_version_are_settled_anew_without_being_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def steps(version: int) -> tuple[AnyStep, ...]:
        return tuple(
            replace(s, writes=(*s.writes, "speed"), run=_settle_with_speed, version=version)
            if s.name == "settle"
            else s
            for s in before
        )

    before = quick_steps.STEPS

    monkeypatch.setattr(quick_steps, "STEPS", steps(1))
    root = make_corpus(tmp_path / "c", sides=2)
    quick_run(root)

    def read(self: Corpus, table: str, transfer_id: str, **options: Any) -> Any:
        # As a table does that an older version wrote, before a column was added.
        if table == "speed":
            raise DataError("was written by another version of Glideline")
        return whole(self, table, transfer_id, **options)

    whole = Corpus.read
    monkeypatch.setattr(Corpus, "read", read)
    monkeypatch.setattr(quick_steps, "STEPS", steps(2))
    summary = quick_run(root)
    assert not summary.failed


def test_one_and_two_workers_give_the_same_bytes(tmp_path: Path) -> None:
    one = make_corpus(tmp_path / "one", sides=8)
    two = make_corpus(tmp_path / "two", sides=8)
    quick_run(one, workers=1)
    quick_run(two, workers=2)
    assert tables(one) == tables(two)
    assert len(tables(one)) == 8 * 6


def test_a_transfer_blocked_by_its_catalogue_row_fails_alone(root: Path) -> None:
    before = tables(root)
    write_csv(root, "reference_pitch", "take_id,reference_pitch_hz", ["t-s00,444000"])
    summary = quick_run(root)
    assert [(t, step) for t, step, _ in summary.failed] == [("s00-a", "intake")]
    assert "reference_pitch.csv, row 2" in summary.failed[0][2]
    assert tables(root)["pitch_frame/s00-a.parquet"] == before["pitch_frame/s00-a.parquet"]
    write_csv(root, "reference_pitch", "take_id,reference_pitch_hz", ["t-s00,440"])
    assert not quick_run(root).failed
    assert tables(root) == before


def test_a_run_says_that_rows_were_left_out(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As ``check`` would, with the exit status of a problem in the data, whether or not there is anything to do."""
    monkeypatch.setattr("pipeline.flows.run.ORDER", "tests.helpers.quick_steps")
    assert CliRunner().invoke(app, ["run", str(root)]).exit_code == 0
    change(root, "player", "p,A. Player", "p,A. Player\nNot An Id,B. Player")
    assert "player_id" in [problem.column for problem in check(root, listen=False).errors]
    for _ in range(2):
        done = CliRunner().invoke(app, ["run", str(root), "--workers", "1"])
        assert done.exit_code == 1
        assert "1 error was found in catalogue and reviews, and rows or cells left out for it" in done.stdout
    assert "Nothing to do" in done.stdout


def test_status_of_a_copied_corpus_is_that_of_its_original(root: Path, tmp_path: Path) -> None:
    was = status(root)
    assert was.touched == 0
    shutil.copytree(root, tmp_path / "copy")
    now = status(tmp_path / "copy")
    assert now.touched == 5
    assert now.steps.filter(pl.col("step") != "summarise").equals(was.steps.filter(pl.col("step") != "summarise"))
    write_tone(tmp_path / "copy" / "audio" / "s00.wav", seed=99, seconds=2.0)
    assert set(status(tmp_path / "copy").steps.filter(pl.col("transfer_id") == "s00-a")["state"]) == {"waiting"}
