"""Words of a trace are made from values alone."""

import pytest

from pipeline.answers.trace_text import heard_words

JUDGED = {"verdict": "no_slide", "listeners": 2, "is_slide": False}


@pytest.mark.parametrize(
    ("judged", "said"),
    [
        (None, ""),
        ({**JUDGED, "verdict": "slide", "is_slide": True, "listeners": 1}, "by ear: slide (1 listener)"),
        (JUDGED, "by ear: no slide (2 listeners); it is no slide in what is listed, while rates start from finds"),
    ],
)
def test_what_listeners_said_of_a_slide(judged: dict[str, object] | None, said: str) -> None:
    assert heard_words(judged) == said
