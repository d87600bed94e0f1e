"""The beginning of an id serves where it is the only one; else the choice is listed; the shell completes ids."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.cli.ids import whole_id
from pipeline.errors import UsageError
from pipeline.store.adding.new import new


@pytest.fixture
def root(tmp_path: Path) -> Path:
    made = tmp_path / "c"
    new(made)
    rows = "\n".join(f"owl-{number}-t1,owl-{number},{number}.wav" for number in (12, 120, 13))
    (made / "catalogue" / "transfer.csv").write_text(f"transfer_id,side_id,file\n{rows}\n", encoding="utf-8")
    rows = "\n".join(f"owl-{number}" for number in (12, 120, 13))
    (made / "catalogue" / "side.csv").write_text(f"side_id\n{rows}\n", encoding="utf-8")
    return made


def test_the_only_id_that_begins_so_is_meant(root: Path) -> None:
    assert whole_id(root, "owl-13", "transfer") == "owl-13-t1"
    assert whole_id(root, "OWL-13", "transfer") == "owl-13-t1"
    assert whole_id(root, "owl-12", "side") == "owl-12"  # whole, though another begins so
    assert whole_id(root, "hen", "transfer") == "hen"  # for the command to refuse in its own words
    with pytest.raises(UsageError, match="2 ids begin with 'owl-12': owl-12-t1, owl-120-t1; write more of it"):
        whole_id(root, "owl-12", "transfer")


def test_a_take_is_meant_before_its_transfers(root: Path) -> None:
    (root / "catalogue" / "side.csv").write_text("side_id\nowl-12\nowl-13\nhen-7\n", encoding="utf-8")
    rows = "hen-7-t1,hen-7,7.wav\nhen-7-t2,hen-7,8.wav\n"
    (root / "catalogue" / "transfer.csv").write_text(f"transfer_id,side_id,file\n{rows}", encoding="utf-8")
    assert whole_id(root, "hen", "side", "transfer") == "hen-7"
    assert whole_id(root, "hen-7-t2", "side", "transfer") == "hen-7-t2"
    with pytest.raises(UsageError, match="hen-7-t1, hen-7-t2"):
        whole_id(root, "hen", "transfer")


def test_commands_take_a_beginning_and_list_the_choice(root: Path) -> None:
    run = CliRunner().invoke(app, ["trace", str(root), "owl-13-"])
    assert run.exit_code == 0, run.output
    assert run.stdout.splitlines()[0] == "transfer owl-13-t1, file 13.wav"
    run = CliRunner().invoke(app, ["trace", str(root), "owl-1"])
    assert isinstance(run.exception, UsageError)
    assert "owl-12, owl-12-t1, owl-120" in str(run.exception)


@pytest.mark.parametrize(
    ("words", "offered"),
    [("glideline sp", ["speed"]), ("glideline speed {root} owl-12", ["owl-12-t1", "owl-120-t1"])],
)
def test_the_shell_completes_commands_and_ids(root: Path, words: str, offered: list[str]) -> None:
    words = words.format(root=root)
    environment = os.environ | {
        "_GLIDELINE_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(len(words.split()) - 1)
    }  # fmt: skip
    code = "import sys; sys.argv = ['glideline']; from pipeline.cli import main; main()"
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False)
    assert done.stdout.split() == offered, done.stderr
