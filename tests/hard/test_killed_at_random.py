"""A thousand kills over all commands that write; see ``helpers/kill_at_random``."""

import json
import os
import subprocess
from pathlib import Path

import pytest

from tests.helpers.programs import environment, program


@pytest.mark.skipif(os.name == "nt", reason="kills as on Unix")
@pytest.mark.parametrize("kills", [pytest.param(6, marks=pytest.mark.slow), pytest.param(1000, marks=pytest.mark.long)])
def test_no_kill_loses_or_doubles_anything(kills: int, tmp_path: Path) -> None:
    command = program("kill_at_random", tmp_path, kills, 78)
    done = subprocess.run(command, env=environment(), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["amiss"] == []
    assert sum(told["kills"].values()) == kills
