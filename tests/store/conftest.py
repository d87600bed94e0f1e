"""A small made-up corpus in a temporary folder, to be spoilt by each test."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.helpers.small_catalogue import CATALOGUE
from tests.helpers.tones import write_tone


@pytest.fixture
def corpus(tmp_path: Path) -> Path:
    """A corpus in which nothing is wrong."""
    root = tmp_path / "corpus"
    (root / "catalogue").mkdir(parents=True)
    (root / "reviews").mkdir()
    for table, text in CATALOGUE.items():
        (root / "catalogue" / f"{table}.csv").write_text(text, encoding="utf-8")
    write_tone(root / "audio" / "one.wav")
    write_tone(root / "audio" / "two.wav", hz=392.0)
    return root


@pytest.fixture
def write(corpus: Path) -> Callable[[str, str], None]:
    """Writes a table of the corpus anew."""

    def put(table: str, text: str) -> None:
        folder = "reviews" if "." in table else "catalogue"
        name = table if "." in table else f"{table}.csv"
        (corpus / folder / name).write_text(text, encoding="utf-8", newline="")

    return put
