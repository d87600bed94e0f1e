"""A million verdicts: every command that reads them ends, and keeps within memory that any machine has."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.store.corpus import Corpus
from tests.helpers.programs import environment

ROWS = 1_000_000
HEAD = "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id,comment\n"
# Three times what the rows take as text on disk, for each of their three forms; measured 1.0 to 2.3 GB.
MOST_BYTES = 3_000_000_000
COMMAND = """
import json, resource, sys
from pipeline.cli import main
try:
    main()
finally:
    both = [resource.getrusage(who).ru_maxrss * 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    print(json.dumps(both), file=sys.stderr)
"""


def written(path: Path, *, verdict: str, sha256: str) -> Path:
    """Verdicts on a million stretches of a transfer."""
    with path.open("w", encoding="utf-8") as file:
        file.write(HEAD)
        for number in range(ROWS):
            start_s = number * 1e-5
            file.write(f"x0,{sha256},{start_s:.6f},{start_s + 0.3:.6f},{verdict},,lea,2026-01-05,,\n")
    return path


def ended(*arguments: object) -> tuple[int, str]:
    """Exit status and the end of what is said; the most memory that it and its workers took is held."""
    command = [sys.executable, "-P", "-c", COMMAND, *map(str, arguments)]
    done = subprocess.run(command, env=environment(), capture_output=True, text=True, timeout=3000, check=False)
    *said, memory = done.stderr.splitlines()
    assert max(json.loads(memory)) < MOST_BYTES, memory
    assert "Traceback" not in done.stderr
    return done.returncode, "\n".join([*done.stdout.splitlines(), *said][-40:])


@pytest.mark.long
def test_a_million_verdicts_are_checked_counted_and_asked(measured: Path) -> None:
    heard = Corpus(measured).read("run", "x0")["samples_sha256"].drop_nulls()[0]
    written(measured / "reviews" / "lea.csv", verdict="slide", sha256=heard)
    status, said = ended("check", measured, "--no-audio")
    assert (status, "1,000,0" in said) == (0, True), said
    assert ended("run", measured, "--workers", 1)[0] == 0
    assert "Verdicts that match nothing any more" in ended("status", measured)[1]
    assert ended("query", measured, "slides_by_player", "--as", "csv")[0] == 0


@pytest.mark.long
def test_a_million_wrong_verdicts_are_named_and_not_taken_in(measured: Path, tmp_path: Path) -> None:
    wrong = written(tmp_path / "lea.csv", verdict="perhaps", sha256="0" * 64)
    status, said = ended("listen", measured, "--take-in", wrong)
    assert (status, f"row {ROWS + 1}: verdict = perhaps" in said) == (1, True)
    assert not list((measured / "reviews").glob("*.csv"))
