"""Under the system's limits on the size of files and on memory, every writer ends in one plain line and loses nothing.

The limit on the size of files stands for a full disk: the error is another, the place the same.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.helpers.kill_writers import given
from tests.helpers.programs import environment

pytestmark = pytest.mark.skipif(os.name == "nt", reason="limits as on Unix")
COMMAND = "import sys; from pipeline.cli import main\nif __name__ == '__main__': main()"
# What writes, by name: the words of the command in the folder that holds the corpus ``c``; and a limit that it meets.
WRITERS = {
    "new": ("new n", 4),
    "new from a package": ("new n --from given/package", 4),
    "add": ("add c given/in --yes", 20),
    "part": ("part add c w1 given/part.csv --edition E", 0),
    "verdicts": ("listen c --take-in given/verdicts.csv", 0),
    "sample": ("listen c --n 5", 4),
    "sample with sound": ("listen c --n 5", 60),
    "run": ("run c --workers 1 --again --quiet", 4),
    "database": ("run c --workers 1 --quiet", 100),
    "report": ("report c", 4),
    "export": ("export c --as csv,stata,spss --into out", 0),
    "export for Stata": ("export c --as csv,stata,spss --into out", 4),
    "corrected sound": ("speed c x0 --render", 4),
    "rows": ("query c slides_by_player --as csv --to out/rows.csv", 0),
    "rows as parquet": ("query c slides_by_player --as parquet --to out/rows.parquet", 1),
}
OFTEN = ("rows as parquet", "corrected sound")


def kept(here: Path) -> dict[str, bytes]:
    """Files outside what runs may write."""
    found = (path for path in sorted(here.rglob("*")) if path.is_file())
    names = ((path.relative_to(here).as_posix(), path) for path in found)
    return {name: path.read_bytes() for name, path in names if "/derived/" not in f"/{name}"}


def limited(here: Path, words: str, *, kind: str, limit: int) -> subprocess.CompletedProcess[str]:
    shell = f'ulimit -{kind} {limit}; exec "$@"'  # blocks of 1 KiB
    command = ["bash", "-c", shell, "limited", sys.executable, "-P", "-c", COMMAND, *words.split()]
    variables = environment(POLARS_MAX_THREADS="1")
    return subprocess.run(command, cwd=here, env=variables, capture_output=True, text=True, timeout=600, check=False)


@pytest.fixture
def here(measured: Path) -> Path:
    here = measured.parent
    measured.rename(here / "c")
    given(here / "given")
    (here / "given" / "verdicts.csv").write_text(
        "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id,comment\n"
        f"x0,{'0' * 64},1,2,slide,,lea,2026-01-05,,\n"
    )
    (here / "out").mkdir()
    return here


@pytest.mark.parametrize(
    "writer", [pytest.param(name, marks=pytest.mark.slow if name in OFTEN else pytest.mark.long) for name in WRITERS]
)
def test_a_limit_on_files_ends_in_one_plain_line_and_leaves_nothing(here: Path, writer: str) -> None:
    if writer == "database":
        (here / "c" / "derived" / "corpus.duckdb").unlink()
    before = kept(here)
    words, limit = WRITERS[writer]
    done = limited(here, words, kind="f", limit=limit)
    assert done.returncode == 1, done.stderr
    line = done.stderr.splitlines()[-1]
    assert line.startswith("glideline: ")
    assert any(said in line.lower() for said in ("file too large", "cannot be written")), line
    assert "Traceback" not in done.stderr
    after = kept(here)
    drawn = {name for name in after if name.startswith("c/reviews/drawn/")}  # a sample that was drawn stays drawn
    assert {name: after[name] for name in after if name not in drawn} == before
    assert not [path for path in here.rglob(".*") if path.suffix in (".tmp", ".change", ".part", ".spill")]


@pytest.mark.long
@pytest.mark.parametrize("mib", [400, 900, 1500])
@pytest.mark.parametrize("writer", ["add", "rows", "export", "run"])
def test_a_limit_on_memory_ends_in_a_plain_line_or_is_enough(here: Path, writer: str, mib: int) -> None:
    before = kept(here)
    done = limited(here, WRITERS[writer][0], kind="v", limit=mib * 1024)
    assert "Traceback" not in done.stderr
    if done.returncode:
        assert kept(here) == before
    if done.returncode == 1:  # else the system or a library has ended it with a word of its own
        lines = [line for line in done.stderr.splitlines() if line.startswith("glideline: ")]
        assert any("memory" in line.lower() for line in lines), done.stderr
