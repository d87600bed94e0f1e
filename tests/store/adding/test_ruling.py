"""A ruling on a speed is entered by one command, and never in the place of another."""

import csv
import datetime
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import DataError, UsageError
from pipeline.store.adding.ruling import rule
from pipeline.store.corpus import Corpus
from tests.helpers.made_rows import frame
from tests.helpers.small_catalogue import CATALOGUE

READINGS = [
    {
        "transfer_id": "t1", "rank": rank, "playing_rpm": None, "offset_cents": cents, "offset_se_cents": 0.8,
        "reference_pitch_hz": hz, "key": key, "probability": share, "reason": "",
    }
    for rank, cents, hz, key, share in ((1, -20.0, 440.0, "D major", 0.9), (2, 80.004, 441.5, "E flat major", 0.1))
]  # fmt: skip
HEARD = {"transfer_id": "t1", "step": "follow", "outcome": "done", "samples_sha256": "a" * 64, "key_sha256": "0" * 64}


@pytest.fixture
def corpus(tmp_path: Path) -> Corpus:
    (tmp_path / "catalogue").mkdir()
    for name, text in CATALOGUE.items():
        (tmp_path / "catalogue" / f"{name}.csv").write_text(text, encoding="utf-8")
    made = Corpus(tmp_path)
    made.write("speed_alternative", "t1", pl.DataFrame(READINGS))
    made.write("run", "t1", frame("run", [HEARD]))
    return made


def rows(corpus: Corpus) -> list[dict[str, str]]:
    text = (corpus.root / "catalogue" / "speed_decision.csv").read_text(encoding="utf-8-sig")
    return [{k: v for k, v in row.items() if v} for row in csv.DictReader(text.splitlines())]


def test_the_other_reading_is_taken_by_one_command(corpus: Corpus) -> None:
    ruled = ["speed", str(corpus.root), "t1", "--rule", "2", "--reason", "the open D string", "--by", "A. Listener"]
    said = CliRunner().invoke(app, ruled)
    assert said.exit_code == 0, said.output
    assert "correction_cents 80.00" in said.stderr
    assert rows(corpus) == [
        {
            "transfer_id": "t1", "correction_cents": "80.00", "se_cents": "0.80", "reference_pitch_hz": "441.50",
            "key": "E flat major", "reason": "the open D string", "decided_by": "A. Listener",
            "decided_on": datetime.date.today().isoformat(), "samples_sha256": "a" * 64,
        }
    ]  # fmt: skip
    anew = Corpus(corpus.root)
    assert not [problem for problem in anew.catalogue.problems() if problem.severity == "error"]
    assert anew.catalogue.one("speed_decision", "t1")["correction_cents"] == 80.0


def test_a_drift_is_refused_by_one_command(corpus: Corpus) -> None:
    said = CliRunner().invoke(
        app, ["speed", str(corpus.root), "t1", "--one-speed", "--reason", "a cold room", "--by", "L"]
    )
    assert said.exit_code == 0, said.output
    (row,) = rows(corpus)
    assert (row["one_speed"], "correction_cents" in row, "reference_pitch_hz" in row) == ("yes", False, False)


def test_a_ruling_never_takes_the_place_of_another(corpus: Corpus) -> None:
    how = {"one_speed": False, "reason": "by ear", "by": "L", "on": datetime.date(2026, 1, 5)}
    rule(corpus, "t1", rank=1, **how)
    before = (corpus.root / "catalogue" / "speed_decision.csv").read_bytes()
    with pytest.raises(DataError, match=r"speed_decision.csv, row 2: t1 has a ruling already, by L"):
        rule(corpus, "t1", rank=2, **how)
    with pytest.raises(UsageError, match="t2 has no reading 2"):
        rule(corpus, "t2", rank=2, **how)
    assert (corpus.root / "catalogue" / "speed_decision.csv").read_bytes() == before


@pytest.mark.parametrize(
    ("given", "cure"),
    [
        (["t1", "--rule", "1", "--by", "L"], "--reason"),
        (["t1", "--rule", "1", "--reason", " ", "--by", "L"], "--reason"),
        (["t1", "--reason", "x", "--by", "L"], "--one-speed"),
        (["--one-speed", "--reason", "x", "--by", "L"], "id after DIR"),
    ],
)
def test_half_a_ruling_is_none(corpus: Corpus, given: list[str], cure: str) -> None:
    said = CliRunner().invoke(app, ["speed", str(corpus.root), *given])
    assert isinstance(said.exception, UsageError)
    assert cure in str(said.exception)
    assert not (corpus.root / "catalogue" / "speed_decision.csv").exists()
