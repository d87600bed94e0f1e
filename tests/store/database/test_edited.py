"""Results that are older than the catalogue are told as such, by content and not by dates of files."""

import os

import pytest
from typer.testing import CliRunner

from pipeline.answers.export.folder import export
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.cli import app
from pipeline.errors import DataError
from pipeline.store.corpus import Corpus
from pipeline.store.database import edited
from pipeline.store.database.edited import edited_since, note_kept
from pipeline.store.database.edited_rows import with_rows
from pipeline.store.database.report_notice import BEFORE_THE_RUN, tell_pages
from pipeline.store.provenance import hash_bytes_of
from pipeline.store.schema import load
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
    assert "older than catalogue/take.csv (t1, t2, t3) and 1 more, edited since the last run" in " ".join(
        asked.stderr.split()
    )
    note_kept(Corpus(root))
    assert edited_since(root) == []


def test_a_file_that_stands_as_it_stood_is_not_read_and_one_whose_time_was_set_back_is(tmp_path, monkeypatch):
    root = corpus_folder(tmp_path, **small())
    take, side = (root / "catalogue" / f"{table}.csv" for table in ("take", "side"))
    take.write_text("take_id\nt1\n", encoding="utf-8")
    side.write_text("side_id\ns1\n", encoding="utf-8")
    monkeypatch.setattr(edited, "TICK_NS", -(10**10))  # as if these had been written long before
    note_kept(Corpus(root))
    stood = take.stat()
    take.write_text("take_id\nt2\n", encoding="utf-8")
    os.utime(take, ns=(stood.st_atime_ns, stood.st_mtime_ns))
    read = []
    monkeypatch.setattr(edited, "hash_bytes_of", lambda path: read.append(path.name) or hash_bytes_of(path))
    assert edited_since(root) == ["catalogue/take.csv"]
    assert read == ["take.csv"]


def test_a_file_edited_while_a_run_read_it_is_told(tmp_path):
    root = corpus_folder(tmp_path, **small())
    take = root / "catalogue" / "take.csv"
    take.write_text("take_id\nt1\n", encoding="utf-8")
    corpus = Corpus(root)
    assert corpus.catalogue.hashes
    take.write_text("take_id\nt2\n", encoding="utf-8")
    note_kept(corpus)
    assert edited_since(root) == ["catalogue/take.csv"]


def test_the_pages_of_a_report_say_that_they_are_older(tmp_path):
    root = corpus_folder(tmp_path, **small())
    take = root / "catalogue" / "take.csv"
    take.write_text("take_id\n", encoding="utf-8")
    note_kept(Corpus(root))
    notice = root / "derived" / "report" / "notice.js"

    def asked() -> str:
        assert CliRunner().invoke(app, ["query", str(root), "slides_by_player"]).exit_code == 0
        return notice.read_text(encoding="utf-8") if notice.exists() else "no report"

    take.write_bytes(take.read_bytes() + b"\n")
    assert asked() == "no report"  # and none is begun
    notice.parent.mkdir()
    assert "older than catalogue/take.csv (t1, t2, t3), edited since the last run: run the corpus, then make" in asked()
    tell_pages(root, BEFORE_THE_RUN)
    note_kept(Corpus(root))
    assert "before the last run" in asked()  # which a run ended, and no page was made since
    tell_pages(root, "")
    assert asked() == ""


def test_rows_that_are_others_are_named_and_nothing_is_exported_until_the_next_run(tmp_path):
    root = corpus_folder(tmp_path, **small())
    with OpenCorpus(root) as corpus:
        for table in ("work", "take"):
            written = [column.name for column in load(table).written_columns]
            text = corpus.sql(f"from base.{table}").select(written).write_csv()
            (root / "catalogue" / f"{table}.csv").write_text(text, encoding="utf-8")
    take = root / "catalogue" / "take.csv"
    before = take.read_text(encoding="utf-8")
    note_kept(Corpus(root))
    take.write_text(before.replace("t1,", "t9,", 1), encoding="utf-8")
    assert with_rows(root, edited_since(root)) == ["catalogue/take.csv (t1, t9)"]
    asked = CliRunner().invoke(app, ["query", str(root), "slides_by_player"])
    assert "older than catalogue/take.csv (t1, t9), edited since the last run" in " ".join(asked.stderr.split())
    with pytest.raises(DataError, match=r"nothing is exported: .* catalogue/take.csv \(t1, t9\)"):
        export(root, to=["csv"], into=tmp_path / "out")
    assert not (tmp_path / "out").exists()
    take.write_text(before, encoding="utf-8")
    assert export(root, to=["csv"], into=tmp_path / "out").folder.is_dir()


def test_a_corpus_whose_run_noted_nothing_is_said_nothing_of(tmp_path):
    assert edited_since(corpus_folder(tmp_path, **small())) == []
