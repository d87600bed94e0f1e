"""Results that are older than the catalogue are told as such, by content and not by dates of files."""

import os

from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.store.corpus import Corpus
from pipeline.store.database.edited import edited_since, note_kept
from tests.helpers.made_rows import corpus_folder, small


def test_what_is_edited_after_a_run_is_told_until_the_next(tmp_path):
    root = corpus_folder(tmp_path, **small())
    take = root / "catalogue" / "take.csv"
    take.write_text("take_id\n", encoding="utf-8")
    note_kept(Corpus(root))
    os.utime(take, (0, 0))
    asked = CliRunner().invoke(app, ["query", str(root), "slides_by_player"])
    assert edited_since(root) == []
    assert "older" not in asked.stderr
    take.write_bytes(take.read_bytes() + b"\n")
    verdicts = root / "reviews" / "lee.csv"
    verdicts.parent.mkdir(exist_ok=True)
    verdicts.write_text("transfer_id\n", encoding="utf-8")
    assert edited_since(root) == ["catalogue/take.csv", "reviews/lee.csv"]
    asked = CliRunner().invoke(app, ["query", str(root), "slides_by_player"])
    assert "older than catalogue/take.csv and 1 more, edited since the last run" in " ".join(asked.stderr.split())
    note_kept(Corpus(root))
    assert edited_since(root) == []


def test_a_corpus_whose_run_noted_nothing_is_said_nothing_of(tmp_path):
    assert edited_since(corpus_folder(tmp_path, **small())) == []
