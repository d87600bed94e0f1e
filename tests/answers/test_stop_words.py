"""A finger and its string never look like a note."""

import pytest

from pipeline.answers.stop_words import STOPS_EXPLAINED, stop_words
from pipeline.errors import DataError
from pipeline.instruments import THUMB
from pipeline.store.parts.pitch import midi_of_name

STOPS = [("D", 3, "3D"), ("A", 0, "0A"), ("G", None, "G"), (None, 4, "4")]


@pytest.mark.parametrize(("string", "finger", "said"), STOPS)
def test_no_stop_reads_as_a_note(string: str | None, finger: int | None, said: str) -> None:
    assert stop_words(string, finger) == said
    with pytest.raises(DataError):
        midi_of_name(said)


def test_the_explanation_writes_as_the_tables_do() -> None:
    assert stop_words("A", 2) in STOPS_EXPLAINED
    assert stop_words("A", THUMB) in STOPS_EXPLAINED
    assert midi_of_name("A2") == 45.0
