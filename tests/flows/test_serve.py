"""The private server's database: kept empty for a version of Prefect, and copied for each corpus."""

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.flows import serve


def database(path: Path, version: str) -> Path:
    """A database that says how far it has been carried."""
    with closing(sqlite3.connect(path)) as made:
        made.execute("pragma journal_mode=wal")
        made.execute("create table alembic_version (version_num varchar(32) not null)")
        made.execute("insert into alembic_version values (?)", [version])
        made.commit()
    return path


def test_a_kept_empty_database_is_copied(tmp_path: Path) -> None:
    empty = database(tmp_path / "empty.db", "abc")
    serve.make(tmp_path / "prefect.db", empty=empty)
    assert serve.revision(tmp_path / "prefect.db") == "abc"
    assert not list(tmp_path.glob(".*"))


def test_a_database_that_cannot_be_read_has_no_revision(tmp_path: Path) -> None:
    assert serve.revision(tmp_path / "none.db") == ""
    (tmp_path / "cut.db").write_bytes(b"SQLite format 3\0" + bytes(40))
    assert serve.revision(tmp_path / "cut.db") == ""
    assert not (tmp_path / "none.db").exists()
    serve.make(tmp_path / "prefect.db", empty=tmp_path / "cut.db")  # then Prefect makes its own
    assert serve.revision(tmp_path / "prefect.db") == ""


@pytest.mark.slow
def test_the_first_database_is_kept_for_the_next(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = tmp_path / "home"
    home.mkdir()
    program = (
        "import sys; from pathlib import Path; from pipeline.flows import serve; "
        "serve.make(Path(sys.argv[1]), empty=Path(sys.argv[2]))"
    )
    made, empty = home / "prefect.db", tmp_path / "not_there_yet" / "empty.db"
    command = [sys.executable, "-c", program, str(made), str(empty)]
    subprocess.run(command, env=os.environ | {"PREFECT_HOME": str(home)}, check=True, timeout=300)
    assert serve.revision(made) == serve.revision(empty) != ""
    with closing(sqlite3.connect(empty)) as kept:
        assert kept.execute("select count(*) from flow_run").fetchone() == (0,)
