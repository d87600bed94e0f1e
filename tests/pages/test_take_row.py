"""One take under a staff: written time, and what can and cannot be told, drawn apart."""

import re
from typing import Any

import numpy as np
import pytest

from pipeline.answers.passages.gather import TakeRow
from pipeline.pages.pictures import Drawn
from pipeline.pages.take_row import placed, row_svg

AT = {1: 100.0, 2: 200.0, 3: 300.0, 4: 400.0}
ONSETS = {1: 0.0, 2: 1.0, 3: 2.0, 4: 3.0}
NOTES = {
    f"n{i}": {"note_id": f"n{i}", "start_s": start, "end_s": end, "midi": 69.0 + i}
    for i, (start, end) in enumerate(((10.0, 10.9), (11.0, 12.9), (13.0, 14.0)), start=1)
}


def _take(*outcomes: str) -> TakeRow:
    steps: dict[int, dict[str, Any]] = {}
    for event, outcome in enumerate(outcomes, start=2):
        heard = outcome in ("slid", "not_slid")
        steps[event] = {"from_event": event - 1, "to_event": event, "outcome": outcome, "reason": None}
        steps[event] |= {
            "from_note_id": f"n{event - 1}" if heard else None,
            "to_note_id": f"n{event}" if heard else None,
        }
        steps[event] |= {"from_string": "A", "from_finger": 1, "to_string": "A", "to_finger": 2, "p_hand": 0.3}
    return TakeRow("t", "x", 1, "P", "p", "s", None, 1902, "1902", "certain", 0, steps)


def _drawn() -> Drawn:
    line_s = np.linspace(9.0, 15.0, 601)
    slides = [{"start_s": 10.9, "end_s": 11.0}]
    return Drawn(line_s, np.full(601, 70.0), list(NOTES.values()), slides, [("A", 69)], {})


def test_between_two_notes_time_is_stretched_evenly() -> None:
    where = placed(_take("slid", "not_slid", "cannot_tell"), NOTES, at=AT, onsets=ONSETS, right=440.0)
    assert where.events == (1, 2, 3)
    assert where.at(np.array([10.0, 10.5, 11.0, 12.0, 13.0])) == pytest.approx([100, 150, 200, 250, 300])
    assert np.isnan(where.at(np.array([9.0, 15.0]))).all()


def test_what_lies_between_two_notes_besides_is_folded_away() -> None:
    notes = {name: dict(note) for name, note in NOTES.items()} | {"n4": {**NOTES["n3"], "note_id": "n4"}}
    notes["n3"] |= {"start_s": 31.0, "end_s": 32.0}  # after a repeat, say: bars at 1 s a note, then 20 s
    notes["n4"] |= {"start_s": 32.0, "end_s": 33.0}
    notes["n2"]["end_s"] = 12.0
    where = placed(_take("slid", "not_slid", "not_slid"), notes, at=AT, onsets=ONSETS, right=440.0)
    assert where.is_broken.tolist() == [False, True, False, False]
    assert where.at(np.array([10.5, 11.5, 12.0, 31.5])) == pytest.approx([150, 250, 300, 350])
    assert np.isnan(where.at(np.array([12.5, 20.0, 30.9]))).all()


def test_cannot_tell_and_not_reached_are_drawn_apart() -> None:
    take = _take("slid", "cannot_tell", "not_reached")
    svg = row_svg(
        take, placed(take, NOTES, at=AT, onsets=ONSETS, right=440.0), _drawn(), at=AT, width=500, midi=(69, 73)
    )
    kinds = re.findall(r'class="(slid|unknown|absent)"', svg)
    assert kinds == ["slid", "unknown", "absent"]
    grounds = re.findall(r'<rect[^>]*x="([\d.]+)"', svg)
    assert [float(x) for x in grounds] == [100.0, 200.0, 300.0]
    assert 'aria-label="t: 1 slid of 1 that can be told"' in svg
    assert svg.count('class="slide"') == 1
    assert re.findall(r'class="finger"[^>]*>([^<]+)<', svg) == ["1A?", "2A?"]


def test_the_tempo_lies_above_its_middle_where_notes_hurry() -> None:
    take = _take("slid", "not_slid", "cannot_tell")  # a beat of 1 s, then one of 2 s
    svg = row_svg(
        take, placed(take, NOTES, at=AT, onsets=ONSETS, right=440.0), _drawn(), at=AT, width=500, midi=(69, 73)
    )
    middle, first, second = (float(y) for y in re.findall(r"M[\d.]+ ([\d.]+)[Hh]", svg[svg.index('class="tempo"') :]))
    assert first < middle < second
    assert middle - first == pytest.approx(second - middle, abs=0.11)
