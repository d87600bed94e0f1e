"""The note that nothing was to do: believed while all stands as it did, and not a moment longer."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.engine import up_to_date
from pipeline.engine.planner import Planner
from pipeline.engine.up_to_date import is_noted, note_path
from pipeline.store.corpus import Corpus
from pipeline.store.database.build import build_database, is_current
from pipeline.store.database.compaction import compact
from tests.helpers.quick_run import planned, quick_run
from tests.helpers.tone_corpus import change, make_corpus, write_tone


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A corpus that one run has brought up to date."""
    root = make_corpus(tmp_path_factory.mktemp("noted") / "c", sides=2)
    quick_run(root)
    return root


@pytest.fixture
def root(looked_at: Path, tmp_path: Path) -> Path:
    """A copy with the times of its files, to be changed at will."""
    root = Path(shutil.copytree(looked_at, tmp_path / "c"))
    for path in (root / "audio").iterdir():
        path.unlink()
        (root / "audio" / path.name).hardlink_to(looked_at / "audio" / path.name)  # known by inode as well
    return root


def test_what_was_found_up_to_date_is_not_worked_out_again(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Planner, "reads", lambda *_: pytest.fail("a key is worked out"))
    assert quick_run(root, noted=True).nothing_to_do


def test_it_says_what_working_everything_out_says(root: Path) -> None:
    assert is_noted(planned(Corpus(root)))
    assert not list(planned(Corpus(root)).outlook())


def test_a_failure_that_is_tried_again_is_no_end(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (root / "settings.toml").write_text('[follow]\nscoring = "comb"\n')
    monkeypatch.setenv("QUICK_STEPS", "s01-a full")
    assert quick_run(root).failed
    assert not is_noted(planned(Corpus(root)))


def _table(root: Path) -> Path:
    return next((root / "derived" / "tables" / "melody").glob("*.parquet"))


CHANGES: dict[str, Callable[[Path], object]] = {
    "a cell of the catalogue": lambda root: change(root, "reference_pitch", "440", "435"),
    "a verdict": lambda root: (root / "reviews" / "ann.csv").write_text("transfer_id\n"),
    "a setting": lambda root: (root / "settings.toml").write_text("[summarise]\nseed = 7\n"),
    "another sound": lambda root: (
        (root / "audio" / "s00.wav").unlink(),
        write_tone(root / "audio" / "s00.wav", seed=9),
    ),
    "a sound that is gone": lambda root: (root / "audio" / "s00.wav").unlink(),
    "a table that is gone": lambda root: _table(root).unlink(),
    "a table that is another": lambda root: _table(root).write_bytes(b"?"),
    "a row that is gone": lambda root: (root / "derived" / "tables" / "run" / "s00-a.parquet").unlink(),
}


@pytest.mark.parametrize("changed", CHANGES.values(), ids=CHANGES.keys())
def test_any_change_is_looked_at(root: Path, changed: Callable[[Path], object]) -> None:
    assert is_noted(planned(Corpus(root)))
    changed(root)
    assert not is_noted(planned(Corpus(root)))


def test_another_program_looks_again(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not is_noted(planned(Corpus(root), again=True))
    assert not is_noted(planned(Corpus(root), rehash=True))
    monkeypatch.setattr(up_to_date, "_program", lambda: "another")
    assert not is_noted(planned(Corpus(root)))


def test_a_plan_for_some_transfers_notes_nothing(root: Path) -> None:
    note_path(root / "derived").unlink()
    up_to_date.note(planned(Corpus(root), only=frozenset({"s00-a"})))
    assert not is_noted(planned(Corpus(root)))


def test_what_is_changed_while_a_run_works_is_seen_by_the_next(root: Path) -> None:
    note_path(root / "derived").unlink()
    planner = planned(Corpus(root))
    change(root, "reference_pitch", "440", "435")
    up_to_date.note(planner)
    build_database(planner.corpus, compact(planner.corpus))
    assert not is_noted(planned(Corpus(root)))
    again = Corpus(root)
    assert not is_current(again, compact(again))
