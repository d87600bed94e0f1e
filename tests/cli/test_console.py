"""Text is broken between words where the terminal is narrow, and left alone where there is none."""

import io

import pytest

from pipeline.cli.console import print_text

LINE = "  speed: estimated, over all readings of key, A4 and intonation, and so on until the line is full"


def test_text_is_broken_between_words_and_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    out = io.StringIO()
    print_text(LINE, file=out)
    first, *more = out.getvalue().splitlines()
    assert max(map(len, (first, *more))) <= 40
    assert first.startswith("  speed: estimated,")
    assert more
    assert all(line.startswith("    ") for line in more)
    assert " ".join(out.getvalue().split()) == " ".join(LINE.split())


def test_the_second_column_stays_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    out = io.StringIO()
    print_text("  slide_id  where it begins to be heard", file=out)
    assert out.getvalue() == "  slide_id  where it begins to\n            be heard\n"


def test_a_file_gets_the_line_as_it_is() -> None:
    out = io.StringIO()
    print_text(LINE, file=out)
    assert out.getvalue() == LINE + "\n"
