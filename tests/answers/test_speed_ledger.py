"""The speed ledger: made rows in, one line a transfer out, in the view, in Python and on the command line."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.answers.speed_ledger import speed
from pipeline.cli import app
from pipeline.errors import DataError
from tests.helpers.made_rows import corpus_folder

SPEED = {
    "state": "estimated", "speed_ratio": 2 ** (-20 / 1200), "offset_cents": -20.0, "offset_se_cents": 0.8,
    "offset_low_cents": -32.0, "offset_high_cents": -12.0, "reference_pitch_low_hz": 437.0,
    "reference_pitch_high_hz": 442.0, "jump_count": 0, "jump_least_cents": 12.5, "one_speed": False,
    "playing_rpm": 77.36, "reference_pitch_hz": 440.0, "key": "D major", "estimated_state": "estimated",
    "estimated_speed_ratio": 2 ** (-20 / 1200),
}  # fmt: skip
READING = {"offset_se_cents": 0.8, "reference_pitch_hz": 440.0, "reason": "the catalogue's key fits"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return corpus_folder(
        tmp_path_factory.mktemp("ledger"),
        side=[{"side_id": "s1"}, {"side_id": "s2"}, {"side_id": "s3"}],
        session=[{"session_id": "spring"}],
        take=[{"take_id": "k1", "session_id": "spring"}, {"take_id": "k2", "session_id": "spring"}],
        side_take=[{"side_id": "s1", "take_id": "k1"}, {"side_id": "s1", "take_id": "k2"}],
        transfer=[
            {"transfer_id": "t1", "side_id": "s1", "file": "a.wav", "turntable_rpm": 78.26},
            {"transfer_id": "t2", "side_id": "s2", "file": "b.wav"},
            {"transfer_id": "t3", "side_id": "s3", "file": "c.wav"},
            {"transfer_id": "t4", "side_id": "s3", "file": "d.wav"},
        ],
        speed=[
            {
                "transfer_id": "t1", **SPEED, "state": "ambiguous", "jump_count": 1, "jump_s": 30.0,
                "jump_from_s": 29.0, "jump_to_s": 31.0, "jump_cents": 25.0, "remark": "perhaps transposed",
                "rival_rank": 2, "rival_probability": 0.07,
            },
            {
                "transfer_id": "t2", **SPEED, "state": "decided", "offset_cents": 5.0, "decided_by": "A. Listener",
                "offset_se_cents": None, "offset_low_cents": None, "offset_high_cents": None,
            },
            {
                "transfer_id": "t4", "state": "unmeasurable", "speed_ratio": 1.0, "offset_cents": 0.0,
                "reference_pitch_hz": 440.0, "estimated_state": "unmeasurable",
                "jump_count": 0,
                "estimated_speed_ratio": 1.0,
            },
        ],
        speed_alternative=[
            {
                "transfer_id": "t4", "rank": 1, "probability": 0.92, "offset_cents": -30.0, "playing_rpm": 76.92,
                "offset_se_cents": 8.0, "reference_pitch_hz": 440.0, "reason": "its session's speed, not applied",
            },
            {"transfer_id": "t1", "rank": 1, "probability": 0.9, "offset_cents": -20.0, "key": "D major", **READING},
            {
                "transfer_id": "t1", "rank": 3, "probability": 0.04, "offset_cents": -120.0,
                "playing_rpm": 73.0, **READING,
            },
            {
                "transfer_id": "t1", "rank": 2, "probability": 0.06, "offset_cents": 80.0,
                "key": "E flat major", **READING,
            },
        ],
        speed_decision=[
            {"transfer_id": "t2", "correction_cents": 5.0, "reason": "by ear", "decided_by": "A. Listener"}
        ],
    )  # fmt: skip


def test_a_side_is_shown_beside_others(tmp_path: Path) -> None:
    corpus_folder(
        tmp_path,
        side=[{"side_id": "s1"}],
        transfer=[{"transfer_id": t, "side_id": "s1", "file": f"{t}.wav"} for t in ("t1", "t2")],
        speed=[{"transfer_id": t, **SPEED} for t in ("t1", "t2")],
        tuning=[
            {"transfer_id": t, "measured": True, "sharp_cents": 0.0, "sharp_se_cents": 1.0, "note_semitone": [semitone]}
            for t, semitone in (("t1", 60), ("t2", 61))
        ],
    )
    said = " ".join(CliRunner().invoke(app, ["speed", str(tmp_path), "t1"]).output.split())
    compared = "pitch as corrected −100.0 ± 2.8 cents (this one is flatter)"
    assert f"beside others another transfer of the side (t2): {compared}; one may be read" in said


def test_every_transfer_has_its_line(folder: Path) -> None:
    rows = {row["transfer_id"]: row for row in speed(folder).to_dicts()}
    assert list(rows) == ["t1", "t2", "t3", "t4"]
    first = rows["t1"]
    assert (first["takes"], first["session_id"], first["probability"]) == ("k1, k2", "spring", 0.9)
    assert first["evidence"] == "the catalogue's key fits"
    rival = ("playing_rpm", "offset_cents", "reference_pitch_hz", "key", "probability")
    assert [first[f"rival_{name}"] for name in rival] == [None, 80.0, 440.0, "E flat major", 0.07]
    # 1200 log2 of the limits over the value is 12 cents below and 8 above
    assert first["playing_rpm_low"] == pytest.approx(77.36 * 2 ** (-12 / 1200))
    assert first["playing_rpm_high"] == pytest.approx(77.36 * 2 ** (8 / 1200))
    ruled = rows["t2"]
    assert (ruled["offset_se_cents"], ruled["playing_rpm_low"]) == (None, None)
    assert (ruled["decided_by"], ruled["decision_reason"]) == ("A. Listener", "by ear")
    assert ruled["estimated_offset_cents"] == pytest.approx(-20.0)
    assert (rows["t3"]["state"], rows["t3"]["offset_cents"]) == ("not measured", None)
    # what a session offers to a side that says nothing is not the reading that is used
    offered = rows["t4"]
    assert (offered["state"], offered["offset_cents"], offered["probability"]) == ("unmeasurable", 0.0, None)
    assert offered["evidence"] == "its session's speed, not applied"
    assert {offered[f"rival_{name}"] for name in rival} == {None}


def test_a_narrow_ledger_keeps_what_is_not_known(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "50")
    table = CliRunner().invoke(app, ["speed", str(folder)]).output
    assert "77.36" not in table
    first = next(line for line in table.splitlines() if line.startswith("t1"))
    assert "ambiguous 90 %" in first
    assert "−20.0 (−32 to −12)" in first


def test_one_transfer_or_none(folder: Path) -> None:
    assert speed(folder, "t2")["state"].to_list() == ["decided"]
    with pytest.raises(DataError, match="no transfer 't9'"):
        speed(folder, "t9")


def test_the_command_prints_the_ledger_and_one_side(folder: Path) -> None:
    runner = CliRunner()
    table = runner.invoke(app, ["speed", str(folder)])
    assert table.exit_code == 0
    assert "t1" in table.output
    assert "77.36" in table.output
    first = next(line for line in table.output.splitlines() if line.startswith("t1"))
    assert "± 1.6 " in first  # 1.96 standard errors of 0.8
    assert " ambiguous 90 % " in first
    assert " −20.0 (−32 to −12) " in first
    none = next(line for line in table.output.splitlines() if line.startswith("t4"))
    assert "cannot tell" in none
    assert "±" not in none
    assert "440" not in none
    # a sudden change is told once
    one = runner.invoke(app, ["speed", str(folder), "t1"]).output
    assert table.output.count("suddenly") == 1
    assert one.count("0:30.000") == 1
    assert "a further change of 12.5 cents would be found nine times in ten" in " ".join(one.split())
    assert "over all readings −32 to −12 cents (95 %), A4 437.0 to 442.0 Hz" in " ".join(one.split())
    side = runner.invoke(app, ["speed", str(folder), "t2"])
    assert "by ear" in side.output
    assert "±" not in side.output
    assert "would have been" in side.output
    unmeasurable = runner.invoke(app, ["speed", str(folder), "t4"]).output
    assert "cannot tell; the side is taken as it plays" in " ".join(unmeasurable.split())
    as_json = runner.invoke(app, ["speed", str(folder), "t1", "--as", "json"])
    assert json.loads(as_json.output)[0]["transfer_id"] == "t1"
