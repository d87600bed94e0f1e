"""Slides that are listed though they enter no rate say why."""

from pathlib import Path

from pipeline.answers.passage import not_counted
from pipeline.store.corpus import Corpus
from tests.helpers.made_rows import corpus_folder, joined, side, slide, solo, verdict


def test_each_slide_that_enters_no_rate_says_why(tmp_path: Path) -> None:
    tables = joined(
        side("x1", "t1"),
        side("x2", "t1", stands_for_take=False),
        {
            "take": [{"take_id": "t1"}],
            "solo_span": [
                solo("x1", "t1", None, to=9),
                solo("x1", "t1", None, start=9, to=20, counted=False, reason="a voice sings"),
                solo("x2", "t1", None, to=20),
            ],
            "slide": [slide("x1", "t1", 1.0), slide("x1", "t1", 3.0), slide("x1", "t1", 12.0), slide("x2", "t1", 1.0)],
            "review": [verdict(3.0, "no_slide", "a")],
        },
    )
    corpus = Corpus(corpus_folder(tmp_path / "c", **tables))
    assert not_counted(corpus, "x1") == {"x1-s3000": "listeners heard none", "x1-s12000": "a voice sings"}
    assert not_counted(corpus, "x2") == {"x2-s1000": "another transfer stands for the take"}
