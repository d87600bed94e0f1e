"""The passage table: what ``glideline hand DIR TAKE --from --to`` prints."""

import json
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.answers.passage import hand
from pipeline.cli import app

pytestmark = pytest.mark.slow


def test_a_passage_is_asked_for_by_its_times(measured_once: Path) -> None:
    whole = hand(measured_once, "t0")
    said = CliRunner().invoke(app, ["hand", str(measured_once), "t0", "--from", "4", "--to", "9", "--as", "json"])
    assert said.exit_code == 0, said.output
    part = json.loads(said.output)
    assert 0 < len(part) < whole.height
    assert part == json.loads(whole.filter(pl.col("start_s").is_in([row["start_s"] for row in part])).write_json())
    assert all(row["start_s"] <= 9.0 for row in part)
    assert part[1]["start_s"] >= 4.0
    assert all(row["reasons"] for row in part if row["ways"] != "off the instrument")


def test_a_printed_fingering_stands_beside_it(measured_once: Path, tmp_path: Path) -> None:
    notes = hand(measured_once, "t0")["note"].to_list()
    printed = tmp_path / "print.csv"
    printed.write_text("note,finger\n" + "".join(f"{name},1\n" for name in notes), encoding="utf-8")
    beside = hand(measured_once, "t0", printed=printed)
    assert beside["printed"].drop_nulls().unique().to_list() == ["1"]
    assert set(beside["verdict"].drop_nulls()) <= {"agree", "differ", "cannot_tell"}
    assert beside["verdict"].null_count() < beside.height / 10
