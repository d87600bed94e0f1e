"""A change of hand-kept files is made whole or not at all, whoever else is at work, and wherever it is cut short."""

import json
import os
import resource
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.errors import DataError
from pipeline.store.adding.add import add, plan_add
from pipeline.store.adding.new import new
from pipeline.store.corpus import Corpus
from pipeline.store.files import changes
from pipeline.store.files.changes import TO_FINISH, TO_UNDO, Change, changing
from pipeline.store.files.lock import HeldError, locked
from tests.helpers.kill_writers import WRITERS
from tests.helpers.programs import environment, program
from tests.helpers.small_catalogue import CATALOGUE
from tests.helpers.tones import write_tone

pytestmark = pytest.mark.skipif(os.name == "nt", reason="kills and locks as on Unix")
# Those that write most files of most kinds; the others take the same way and are killed in CI.
OFTEN = ("take_in", "add")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    for folder in ("catalogue", "audio", "reviews"):
        (tmp_path / "c" / folder).mkdir(parents=True)
    for name, text in CATALOGUE.items():
        (tmp_path / "c" / "catalogue" / f"{name}.csv").write_text(text, encoding="utf-8")
    return tmp_path / "c"


@contextmanager
def largest_file(size: int) -> Iterator[None]:
    """The system's own limit on the size of files stands for a full disk; the error is another, the place the same."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def told(*arguments: object) -> dict[str, object]:
    command = program("kill_writers", *arguments)
    done = subprocess.run(command, env=environment(), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    made: dict[str, object] = json.loads(done.stdout.splitlines()[-1])
    return made


@pytest.mark.parametrize(
    "writer",
    [name if name in OFTEN else pytest.param(name, marks=pytest.mark.long) for name in WRITERS],
)
def test_killed_at_any_step_and_run_again_gives_what_an_undisturbed_run_gives(writer: str, tmp_path: Path) -> None:
    done = told("kill", writer, tmp_path)
    assert done["amiss"] == []
    assert done["steps"] >= 10  # else nothing was killed


def test_of_two_writers_at_once_both_are_whole(tmp_path: Path) -> None:
    assert told("pairs", tmp_path, 2) == {"rounds": 12, "amiss": []}


def test_what_was_changed_since_it_was_read_is_not_overwritten(root: Path, tmp_path: Path) -> None:
    plan = plan_add(root, [write_tone(tmp_path / "in" / "x.wav")])
    path = root / "catalogue" / "take.csv"
    path.write_text(path.read_text() + "mine,air,,,,\n")
    edited = path.read_bytes()
    with pytest.raises(DataError, match=r"catalogue/take\.csv: was changed by another program in the meantime"):
        plan.apply()
    assert path.read_bytes() == edited
    assert not (root / "audio" / "x.wav").exists()


def test_a_hand_edit_in_the_midst_of_a_cut_change_is_kept_and_told(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = root / "catalogue" / "player.csv"
    was = path.read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(changes, "_finish", lambda root, entries: None)  # as if killed there
        with changing(root, doing="test") as change:
            change.put(path, b"player_id,name\nnew,New\n", was=was)
    assert (root / TO_FINISH).exists()
    path.write_bytes(b"player_id,name\nmine,Mine\n")
    with pytest.raises(DataError, match=r"catalogue/player\.csv: was changed by hand while a change of it was not"):
        Corpus(root)
    assert path.read_bytes() == b"player_id,name\nmine,Mine\n"
    (path.parent / ".player.csv.change").unlink()  # one of the two ways out that the message names
    Corpus(root)
    assert path.read_bytes() == b"player_id,name\nmine,Mine\n"
    assert not (root / TO_FINISH).exists()


def test_no_room_leaves_everything_as_before(root: Path, tmp_path: Path) -> None:
    sound = write_tone(tmp_path / "in" / "x.wav", length_s=5.0)
    before = {p: p.read_bytes() for p in root.rglob("*") if p.is_file()}
    with largest_file(20_000), pytest.raises(DataError, match=r"written \(File too large\); nothing was changed"):
        add(root, [sound])
    left = {p: p.read_bytes() for p in root.rglob("*") if p.is_file() and "derived" not in p.parts}
    assert left == before


def test_a_folder_in_which_nothing_was_begun_is_not_left_behind(tmp_path: Path) -> None:
    for size in (0, 1_000):  # too little for the note of who holds the corpus, and for the files
        with largest_file(size), pytest.raises(DataError, match="nothing was changed"):
            new(tmp_path / "mine")
        assert list(tmp_path.iterdir()) == []
    assert new(tmp_path / "mine")
    with largest_file(0), pytest.raises(DataError, match="already holds a corpus"):
        new(tmp_path / "mine")
    assert (tmp_path / "mine" / "derived" / "run.lock").exists()


def test_audio_is_never_replaced(root: Path) -> None:
    (root / "audio" / "one.wav").write_bytes(b"mine")
    with pytest.raises(ValueError, match="audio is only ever read"), changing(root, doing="test") as change:
        change.put(root / "audio" / "one.wav", b"other", was=b"mine")
    (root / "other").write_bytes(b"other")
    with pytest.raises(DataError, match=r"audio/one\.wav: was changed"), changing(root, doing="test") as change:
        change.copy_in(root / "other", root / "audio" / "one.wav")
    assert (root / "audio" / "one.wav").read_bytes() == b"mine"


def test_who_holds_the_corpus_is_told_to_who_waits(root: Path) -> None:
    held, done = threading.Event(), threading.Event()

    def hold() -> None:
        with changing(root, doing="add"):
            held.set()
            done.wait(30)

    thread = threading.Thread(target=hold)
    thread.start()
    held.wait(30)
    told = rf"^`glideline add` is working on this corpus \(process {os.getpid()} on"
    with pytest.raises(HeldError, match=told), changing(root, doing="test", wait_s=0.2):
        pass
    Corpus(root)  # reading goes on meanwhile
    threading.Timer(0.3, done.set).start()
    with changing(root, doing="test", wait_s=30):  # and who has patience comes in
        pass
    thread.join()


def test_during_a_run_changes_are_refused_at_once(root: Path) -> None:
    refused = pytest.raises(HeldError, match="another run is working on this corpus")
    with locked(root / "derived", say=print), refused, changing(root, doing="add", wait_s=600):
        pass


@pytest.mark.parametrize("name", ["../out.csv", "/etc/out.csv", "a\\b.csv"])
def test_a_list_from_a_stranger_reaches_nothing_outside(root: Path, name: str) -> None:
    for path in (root / TO_FINISH, root / TO_UNDO):
        path.write_text(f"file,sha256_before\n{name},\n")
        with pytest.raises(DataError, match=f"{path.name}: names .*, outside the corpus; delete"):
            Corpus(root)
        path.unlink()


def test_a_file_keeps_who_may_read_it(root: Path) -> None:
    path = root / "catalogue" / "player.csv"
    path.chmod(0o660)
    with changing(root, doing="test") as change:
        assert isinstance(change, Change)
        change.put(path, b"player_id,name\n", was=path.read_bytes())
    assert path.stat().st_mode & 0o777 == 0o660
