"""A thousand kills over all commands that write; see ``helpers/kill_at_random``."""

import json
import os
import subprocess
from pathlib import Path

import pytest

from tests.helpers.programs import environment, program

CHUNKS, KILLS = 50, 20  # before a release: a thousand, which workers share


@pytest.mark.skipif(os.name == "nt", reason="kills as on Unix")
@pytest.mark.parametrize(
    ("seed", "kills"),
    [
        pytest.param(78, 6, marks=pytest.mark.slow),
        *(pytest.param(1000 + chunk, KILLS, marks=pytest.mark.long) for chunk in range(CHUNKS)),
    ],
)
def test_killed_at_random_nothing_is_lost_or_doubled(seed: int, kills: int, tmp_path: Path) -> None:
    command = program("kill_at_random", tmp_path, kills, seed)
    done = subprocess.run(command, env=environment(POLARS_MAX_THREADS="1"), capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"seed {seed}: {done.stderr}"
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["amiss"] == [], f"seed {seed}"
    assert sum(told["kills"].values()) == kills
