"""What status prints."""

from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.flows.status import Status


def test_no_heading_stands_over_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What waits only for a step that failed is said there."""
    rows = [("x1", "intake", "failed", "is empty"), ("x1", "follow", "waiting", "never run")]
    found = Status(pl.DataFrame(rows, schema=["transfer_id", "step", "state", "message"], orient="row"))
    monkeypatch.setattr("pipeline.flows.status.status", lambda folder: found)
    said = CliRunner().invoke(app, ["status", str(tmp_path)]).stdout
    assert "Failed:\n  x1, intake: is empty" in said
    assert "Waiting:" not in said
