"""The note that nothing was to do: believed while all stands as it did, and not a moment longer."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.engine import up_to_date
from pipeline.engine.planner import Planner
from pipeline.engine.up_to_date import note_path, recall
from pipeline.store.corpus import Corpus
from pipeline.store.database.build import build_database, is_current
from pipeline.store.database.compaction import compact
from tests.helpers.quick_run import planned, quick_run
from tests.helpers.tone_corpus import change, make_corpus, write_csv, write_tone

REAL_FACTS = "tests.benchmarks.simulated_steps"


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
    assert recall(planned(Corpus(root)))
    assert not list(planned(Corpus(root)).outlook())


def test_a_failure_that_is_tried_again_is_no_end(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (root / "settings.toml").write_text('[follow]\nscoring = "comb"\n')
    monkeypatch.setenv("QUICK_STEPS", "s01-a full")
    assert quick_run(root).failed
    assert not recall(planned(Corpus(root)))


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
    assert recall(planned(Corpus(root)))
    changed(root)
    assert not recall(planned(Corpus(root)))


def test_another_program_looks_again(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not recall(planned(Corpus(root), again=True))
    assert not recall(planned(Corpus(root), rehash=True))
    monkeypatch.setattr(up_to_date, "_program", lambda: "another")
    assert not recall(planned(Corpus(root)))


def test_a_plan_for_some_transfers_notes_nothing(root: Path) -> None:
    note_path(root / "derived").unlink()
    some = planned(Corpus(root), only=frozenset({"s00-a"}))
    assert not list(some.outlook())
    up_to_date.note(some)
    assert not recall(planned(Corpus(root)))


def test_a_plan_that_did_not_ask_all_transfers_notes_nothing(root: Path) -> None:
    note_path(root / "derived").unlink()
    planner = planned(Corpus(root))
    up_to_date.note(planner)
    assert not note_path(root / "derived").exists()
    assert not list(planner.outlook())
    up_to_date.note(planner)
    assert recall(planned(Corpus(root)))


@pytest.mark.parametrize(
    "text", ["", "[]", '{"planned_by": 7}', '{"state": "", "kept": "", "planned_by": {"../x": ""}}']
)
def test_a_note_that_is_none_is_passed_over(root: Path, text: str) -> None:
    note_path(root / "derived").write_text(text)
    planner = planned(Corpus(root))
    assert not recall(planner)
    assert not planner.idle


# What is written anew, and whether any transfer's or session's facts may hang on it.
EDITS: dict[str, tuple[str, str, list[str], bool]] = {
    "a player's name": ("player", "player_id,name", ["p,Another Player"], False),
    "a player more": ("player", "player_id,name", ["p,A. Player", "q,B. Player"], False),
    "a school": ("school", "scheme,school_id,name", ["main,north,North"], False),
    "a period": ("period", "scheme,period_id,name,span", ["main,early,Early,1900/1910"], False),
    "a teacher": ("teaching", "teacher_id,student_id,certainty", ["p,p,possible"], False),
    "a verdict": (
        *("../reviews/ann", "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,listener,judged_on"),
        *([f"s00-a,{'a' * 64},0.1,0.2,slide,ann,2024-01-01"], False),
    ),
    "a player gone, with what he plays": ("player", "player_id,name", ["q,B. Player"], True),
    "an instrument": (
        *("performance", "take_id,player_id,instrument,certainty"),
        *(["t-s00,p,viola,certain", "t-s01,p,violin,certain"], True),
    ),
    "a pitch": ("reference_pitch", "take_id,reference_pitch_hz", ["t-s00,435"], True),
    "a usual pitch": ("default_pitch", "place,span,reference_pitch_hz", ["*,1900/1930,435"], True),
    "a ruling": (
        *("speed_decision", "transfer_id,playing_rpm,decided_by,decided_on,reason"),
        *(["s00-a,80,ann,2024-01-01,heard"], True),
    ),
    "a passage": ("passage", "transfer_id,from_s,to_s,content", ["s00-a,0,0.5,other"], True),
    "a side's takes": ("side_take", "side_id,take_id", ["s00,t-s00", "s01,t-s00"], True),
    "a session": ("take", "take_id,session_id", ["t-s00,x0", "t-s01,"], True),
    "a file's span": (
        "transfer",
        "transfer_id,side_id,file,file_end_s",
        ["s00-a,s00,s00.wav,0.5", "s01-a,s01,s01.wav,"],
        True,
    ),
}


def test_after_any_edit_what_must_run_is_what_working_out_every_key_says(tmp_path: Path) -> None:
    root = make_corpus(tmp_path / "c", sides=2)
    quick_run(root, steps=REAL_FACTS)
    for name, (table, header, rows, may_matter) in EDITS.items():
        path = root / "catalogue" / f"{table}.csv"
        before = path.read_text() if path.exists() else None
        write_csv(root, table, header, rows)
        told, every_key = (planned(Corpus(root), steps=REAL_FACTS) for _ in range(2))
        assert not recall(told), name
        assert told.idle == (not may_matter), name
        assert list(told.outlook()) == list(every_key.outlook()), name
        path.unlink() if before is None else path.write_text(before)
        assert recall(planned(Corpus(root), steps=REAL_FACTS)), name


def test_what_transfers_are_planned_by_is_kept_in_mind_by_runs_that_ask_none(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    change(root, "player", "A. Player", "B. Player")
    with monkeypatch.context() as patched:
        patched.setattr(Planner, "reads", lambda *_: pytest.fail("a key is worked out"))
        quick_run(root, noted=True)
    assert recall(planned(Corpus(root)))
    change(root, "reference_pitch", "440", "435")
    planner = planned(Corpus(root))
    assert not recall(planner)
    assert {due.step for due in planner.outlook()} == {"settle", "detect"}


def test_what_is_changed_while_a_run_works_is_seen_by_the_next(root: Path) -> None:
    note_path(root / "derived").unlink()
    planner = planned(Corpus(root))
    assert not list(planner.outlook())
    change(root, "reference_pitch", "440", "435")
    up_to_date.note(planner)
    build_database(planner.corpus, compact(planner.corpus))
    assert not recall(planned(Corpus(root)))
    again = Corpus(root)
    assert not is_current(again, compact(again))
