"""The judges of chords learned anew: those of one window, without touching those of the other."""

import json
import shutil
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.signal.chords import judge
from pipeline.training import chords


class Alone:
    """A crew of nobody: all is done here."""

    def over(self, work: Callable[[Any], Any], jobs: Iterable[Any]) -> Iterator[Any]:
        return map(work, jobs)


def test_one_window_is_learned_and_the_other_stays_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    weights = tmp_path / "chord_trees.npz"
    before = dict(np.load(judge.WEIGHTS))
    record = json.loads(judge.WEIGHTS.with_suffix(".json").read_text(encoding="utf-8"))
    for ending in (".npz", ".json"):
        shutil.copy(judge.WEIGHTS.with_suffix(ending), weights.with_suffix(ending))
    monkeypatch.setattr(judge, "WEIGHTS", weights)
    monkeypatch.setattr(chords, "LENGTH_S", 6.0)
    monkeypatch.setattr(chords, "MIXES", {"long": {"cello": 3}})
    monkeypatch.setattr(chords, "HELD_BACK", {"viola": {"viola": 2}, "cello": {"cello": 2}})
    for trees in ("FIRST_TREES", "SECOND_TREES"):
        monkeypatch.setattr(chords, trees, {"max_iter": 2, "max_leaf_nodes": 4})
    chords.learn(Alone(), scale=1.0, kinds=["long"])  # type: ignore[arg-type]
    after, noted = dict(np.load(weights)), json.loads(weights.with_suffix(".json").read_text(encoding="utf-8"))
    assert set(after) == set(before)
    changed = {name for name in after if not np.array_equal(after[name], before[name])}
    assert changed == {name for name in changed if name.startswith(("long_", "viola_", "cello_"))}
    assert {"long_first_threshold", "long_second_threshold", "viola_line", "cello_line"} <= changed
    assert noted["short"] == record["short"]
    assert noted["long"]["mixes_for_each_judge"] == {"cello": 3}
    assert set(noted["long"]["held_back"]) == {"viola", "cello"}
