"""What is no export is told, with the nearest folder that is one."""

from pathlib import Path

import polars as pl
import pytest

from pipeline.answers.export.earlier import read_exported
from pipeline.errors import DataError

LIKE = pl.DataFrame({"take_id": ["t1"]})


@pytest.fixture
def export(tmp_path: Path) -> Path:
    folder = tmp_path / "derived" / "export" / "2026-01-02-aaaa"
    (folder / "csv").mkdir(parents=True)
    (folder / "datapackage.json").write_text("{}")
    (folder / "csv" / "take.csv").write_text("take_id\nt1\n")
    assert read_exported(folder, "take", like=LIKE).equals(LIKE)
    return folder


def test_the_folder_above_or_below_is_answered_with_the_export(export: Path) -> None:
    for given in (export.parent, export / "csv"):
        with pytest.raises(DataError) as said:
            read_exported(given, "take", like=LIKE)
        assert str(said.value) == f"{given}: is not an export itself; give {export}"


def test_a_folder_that_is_not_there_or_lacks_a_table_is_said(export: Path) -> None:
    with pytest.raises(DataError, match="there is no such folder"):
        read_exported(export / "nowhere", "take", like=LIKE)
    with pytest.raises(DataError, match="there is no table slide in any of its folders"):
        read_exported(export, "slide", like=LIKE)
