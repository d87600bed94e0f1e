"""The hand of a passage is asked for by take; the id of a transfer is understood, or answered with its takes."""

from pathlib import Path

import pytest

from pipeline.answers.passage import hand
from pipeline.errors import DataError
from tests.helpers.tone_corpus import change, make_corpus


def test_a_transfer_means_its_take(tmp_path: Path) -> None:
    root = make_corpus(tmp_path / "c", sides=2)
    with pytest.raises(DataError, match=r"^t-s01: has no notes yet"):
        hand(root, "s01-a")
    with pytest.raises(DataError, match="there is no take 's09-a'"):
        hand(root, "s09-a")


def test_a_transfer_of_two_takes_names_them(tmp_path: Path) -> None:
    root = make_corpus(tmp_path / "c", sides=2)
    change(root, "side_take", "s01,t-s01", "s01,t-s01\ns01,t-s00")
    with pytest.raises(DataError, match=r"s01-a is a transfer; give one of its takes: t-s0[01], t-s0[01]"):
        hand(root, "s01-a")
