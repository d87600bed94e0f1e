"""What other readings of the speed would change in a passage."""

from types import SimpleNamespace
from typing import Any

import polars as pl

from pipeline.answers.passage import Passage


def test_other_readings_tell_how_many_notes_of_the_passage_they_change() -> None:
    notes = pl.DataFrame({"note_id": ["a", "b", "c"], "start_s": [0.0, 1.0, 2.0], "end_s": [0.9, 1.9, 2.9]})
    rows = [
        # note, reading, its share, rank, string, finger
        ("a", 1, 0.6, 1, "D", 1), ("b", 1, 0.6, 1, "D", 2), ("c", 1, 0.6, 1, "A", 0),
        ("a", 2, 0.4, 1, "D", 2), ("b", 2, 0.4, 1, "D", 2), ("c", 2, 0.4, 1, None, None),
        ("b", 2, 0.4, 2, "A", 1),
    ]  # fmt: skip
    names = ("note_id", "speed_rank", "speed_share", "rank", "string", "finger")
    hands = pl.DataFrame(rows, schema=names, orient="row")
    heard: Any = SimpleNamespace(take=SimpleNamespace(notes=notes), written=lambda name: hands)
    assert Passage(heard, 1, None, 0.0, 9.0).other_readings() == [(2, 0.4, 2)]
    assert Passage(heard, 1, None, 1.0, 1.5).other_readings() == [(2, 0.4, 0)]
    assert Passage(heard, 2, None, 0.0, 0.5).other_readings() == [(1, 0.6, 1)]
