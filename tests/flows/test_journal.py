"""The log of runs: the latest is the one begun last, whatever the clock says."""

from pathlib import Path

import pytest

from pipeline.flows.journal import Journal, events, latest


@pytest.mark.parametrize("before", ["run-20990101T000000.000000Z-1.jsonl", "run-of-another-make.jsonl"])
def test_a_run_after_the_clock_was_set_back_is_the_latest(tmp_path: Path, before: str) -> None:
    (tmp_path / "log").mkdir()
    (tmp_path / "log" / before).write_text("{}\n")
    first = Journal(tmp_path)
    first.write("begun")
    second = Journal(tmp_path)
    second.write("begun")
    assert len({before, first.path.name, second.path.name}) == 3
    if before.startswith("run-2"):
        assert latest(tmp_path) == second.path
    assert [event["event"] for event in events(second.path)] == ["begun"]
