"""Tables are written checked, sorted, atomically and always alike; paths stay inside the corpus."""

from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import DataError
from pipeline.store import corpus as folder
from pipeline.store.corpus import Corpus
from pipeline.store.files.durable import replacing
from pipeline.store.schema import load

CLAIMS = pl.DataFrame(
    {
        "transfer_id": ["t1", "t1"],
        "carrier": ["info", "bext"],
        "field": ["INAM", "Originator"],
        "number": [1, 1],
        "value": ["Air", "Arl"],
    }
)


def test_what_is_written_is_read_back_sorted_and_typed(corpus: Path) -> None:
    store = Corpus(corpus)
    assert store.read("claim", "t1") is None
    path = store.write("claim", "t1", CLAIMS)
    assert store.relative(path) == "derived/tables/claim/t1.parquet"
    read = store.read("claim", "t1")
    assert read.schema == load("claim").polars_schema()
    assert read["carrier"].to_list() == ["bext", "info"]


def test_the_same_rows_give_the_same_bytes(corpus: Path) -> None:
    store = Corpus(corpus)
    first = store.write("claim", "t1", CLAIMS).read_bytes()
    assert store.write("claim", "t1", CLAIMS.reverse().select(CLAIMS.columns[::-1])).read_bytes() == first


def test_a_frame_that_breaks_its_schema_is_not_written(corpus: Path) -> None:
    store = Corpus(corpus)
    with pytest.raises(DataError, match="carrier = 'hearsay': must be one of file, bext"):
        store.write("claim", "t1", CLAIMS.with_columns(carrier=pl.lit("hearsay")))
    assert not store.path("claim", "t1").exists()


def test_a_failure_while_writing_leaves_the_old_table(corpus: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = Corpus(corpus)
    path = store.write("claim", "t1", CLAIMS)
    before = path.read_bytes()

    def full(table: object, target: Path) -> None:
        target.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(folder, "write_parquet", full)
    with pytest.raises(OSError, match="No space left"):
        store.write("claim", "t1", CLAIMS.head(1))
    assert path.read_bytes() == before
    assert list(path.parent.iterdir()) == [path]


def test_replacing_is_all_or_nothing(tmp_path: Path) -> None:
    def stop_halfway() -> None:
        with replacing(tmp_path / "a.txt") as temporary:
            temporary.write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        stop_halfway()
    assert list(tmp_path.iterdir()) == []
    with replacing(tmp_path / "a.txt") as temporary:
        temporary.write_text("whole")
    assert (tmp_path / "a.txt").read_text() == "whole"


def test_a_damaged_table_is_named_with_its_cure(corpus: Path) -> None:
    store = Corpus(corpus)
    store.write("claim", "t1", CLAIMS).write_bytes(b"PAR1 broken")
    with pytest.raises(DataError, match=r"derived/tables/claim/t1\.parquet: is damaged .*; delete it and run again"):
        store.read("claim", "t1")


@pytest.mark.parametrize("name", ["../t1", "T1", "a/b", "", "x" * 65, "a\x00b", "."])
def test_ids_that_could_leave_the_folder_are_refused(corpus: Path, name: str) -> None:
    with pytest.raises(DataError, match="is not an id"):
        Corpus(corpus).path("claim", name)


@pytest.mark.parametrize(
    "file", ["../one.wav", "/etc/passwd", "C:\\x.wav", "a\\..\\b.wav", "", "a/../../x.wav", "x\x00.wav"]
)
def test_audio_paths_stay_below_audio(corpus: Path, file: str) -> None:
    with pytest.raises(DataError, match="not a path below audio/"):
        Corpus(corpus).audio_path(file)


def test_unknown_tables_are_refused(corpus: Path) -> None:
    with pytest.raises(DataError, match=r"no table base\.slides"):
        Corpus(corpus).read("slides", "t1")
