"""A corpus measured by version 0.1.0 opens, says what will be measured again and why, and loses nothing.

``corpus_0_1_0`` was measured by that version: two rendered sides, a speed settled by hand, two verdicts, and settings
of which one is gone. Everything in it is invented.
"""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.engine.up_to_date import note_path
from tests.helpers.spoilt_corpus import glideline, hand_kept

KEPT = Path(__file__).with_name("corpus_0_1_0")
SEEN = "derived/audio_seen.jsonl"


@pytest.fixture
def corpus(tmp_path: Path) -> Iterator[Path]:
    """A copy whose audio files stand where that version saw them."""
    root = tmp_path / "corpus"
    shutil.copytree(KEPT, root)
    lines = [json.loads(line) for line in (root / SEEN).read_text().splitlines()]
    for line in lines:
        stat = (root / "audio" / line["file"]).stat()
        line |= {"size": stat.st_size, "mtime_ns": stat.st_mtime_ns, "inode": stat.st_ino}
    (root / SEEN).write_text("".join(json.dumps(line) + "\n" for line in lines))
    before = hand_kept(root)
    yield root
    assert hand_kept(root) == before


def test_a_setting_that_is_gone_is_told_and_stops_nothing(corpus: Path) -> None:
    said = glideline("check", corpus)
    assert said.status == 0
    assert "hand.shift: was a setting of version 0.1.0 and does nothing any more; delete the line" in said.out


def test_what_will_be_measured_again_is_said_with_the_reason(corpus: Path) -> None:
    said = glideline("run", corpus, "--explain")
    assert said.status == 0
    assert "intake of s00-a: version of the step changed 1 → 2" in said.out
    assert "follow of s01-a: version of the step changed" in said.out
    waiting = glideline("status", corpus)
    assert "s00-a, intake: something that it rests on has changed (run --explain says what)" in waiting.out


@pytest.mark.parametrize("command", ["trace", "hand"])
def test_a_table_of_that_version_is_not_read_as_one_of_this(corpus: Path, command: str) -> None:
    said = glideline(command, corpus, "s00-a")
    assert said.status == 1
    assert "was written by another version of Glideline" in said.err
    assert f"measure it anew with: glideline run {corpus}" in said.err


@pytest.mark.slow
def test_one_run_measures_it_anew_with_what_was_decided_by_hand(corpus: Path) -> None:
    assert glideline("run", corpus).status == 0
    note_path(corpus / "derived").unlink()  # every key is worked out
    assert "nothing to do" in glideline("run", corpus).out.lower()
    speeds = json.loads(glideline("query", corpus, "speed_ledger", "--as", "json").out)
    assert {row["transfer_id"]: row["state"] for row in speeds}["s01-a"] == "decided"
    reviews = json.loads(glideline("query", corpus, "base.review", "--as", "json").out)
    assert sorted(row["verdict"] for row in reviews) == ["no_slide", "slide"]
    slides = json.loads(glideline("query", corpus, "fact.slide", "--as", "json").out)
    assert any(row["verdict"] == "slide" for row in slides)
