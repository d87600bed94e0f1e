"""Results are written beside nothing of a corpus's own, and over nothing that is there unless told."""

import os
from pathlib import Path

import pytest

from pipeline.demonstration.run import demo
from pipeline.errors import UsageError
from pipeline.store.adding.new import new
from pipeline.store.files.outputs import output, refuse_inside_a_corpus
from tests.helpers.kill_writers import corpus


@pytest.fixture
def root(tmp_path: Path) -> Path:
    corpus(tmp_path / "c")
    return tmp_path / "c"


@pytest.mark.parametrize(
    "name",
    ["audio/one.wav", "audio/new.csv", "catalogue/take.csv", "CATALOGUE/take.csv", "settings.toml", "reviews/x/y.csv",
     "derived/corpus.duckdb", "sheet/mapping.toml", "", "notes/../audio/one.wav"],
)  # fmt: skip
def test_a_corpus_keeps_its_own(root: Path, name: str) -> None:
    before = {p: p.read_bytes() for p in root.rglob("*") if p.is_file()}
    for replace in (False, True):
        with pytest.raises(UsageError, match="belongs to the corpus"), output(root / name, replace=replace) as part:
            part.write_text("x")
    with pytest.raises(UsageError, match="belongs to the corpus"):
        refuse_inside_a_corpus(root / name)
    assert {p: p.read_bytes() for p in root.rglob("*") if p.is_file()} == before


def test_a_link_does_not_lead_in(root: Path, tmp_path: Path) -> None:
    (tmp_path / "way").symlink_to(root / "audio")
    with pytest.raises(UsageError, match="belongs to the corpus"), output(tmp_path / "way" / "x.csv") as part:
        part.write_text("x")


def test_what_is_there_stays_unless_told(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_text("mine")
    with pytest.raises(UsageError, match="is there already; give another name, or add --replace"), output(path):
        pass
    assert path.read_text() == "mine"
    with pytest.raises(TypeError), output(path, replace=True) as part, part.open("w") as file:
        file.write("half" + 1)  # type: ignore[operator]
    assert path.read_text() == "mine"
    with output(path, replace=True) as part:
        part.write_text("new")
    assert (path.read_text(), [p.name for p in tmp_path.iterdir()]) == ("new", ["rows.csv"])
    with pytest.raises(UsageError, match="is a folder"), output(tmp_path, replace=True):
        pass
    with pytest.raises(UsageError, match="there is no folder"), output(tmp_path / "none" / "x.csv"):
        pass


def test_beside_the_parts_of_a_corpus_there_is_room(root: Path) -> None:
    with output(root / "my-rows.csv") as part:
        part.write_text("x")
    assert (root / "my-rows.csv").read_text() == "x"


@pytest.mark.skipif(os.name == "nt", reason="has no /dev/null")
def test_a_device_is_written_to(tmp_path: Path) -> None:
    with output(Path(os.devnull)) as part:
        part.write_text("x")
    assert not Path(os.devnull).is_file()


@pytest.mark.parametrize("place", ["audio/mine", "derived/mine", "catalogue/mine", "reviews/a/b"])
def test_no_corpus_begins_among_the_files_of_another(root: Path, place: str) -> None:
    for begin in (new, demo):
        with pytest.raises(UsageError, match=r"belongs to the corpus .*; choose another place"):
            begin(root / place)
    assert not (root / place).exists()


def test_a_corpus_may_lie_beside_the_parts_of_another(root: Path) -> None:
    new(root / "its own corpora" / "second")
    assert (root / "its own corpora" / "second" / "catalogue").is_dir()
