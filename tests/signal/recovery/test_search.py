"""Where slides are planted: at changes of note that are chances, outside chords, each carried by one stroke."""

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from pipeline.signal.recovery.planting import JOIN_S, Planting
from pipeline.signal.recovery.search import choose
from pipeline.signal.slides.detect import Detection, Transition
from pipeline.signal.slides.frames import Line
from pipeline.signal.slides.notes import Note

NOTES, LENGTH_S = 24, 0.6


def note(number: int, *, rebowed: float) -> Note:
    start = LENGTH_S * number
    known: dict[str, Any] = {
        "transfer_start_s": start,
        "transfer_end_s": start + LENGTH_S,
        "midi": 69.0 + (0, 4, 2, 7)[number % 4],
    }
    return Note(**dict.fromkeys(Note.__annotations__, 0.0) | known | {"rebowed_probability": rebowed})


def chosen(*, rebowed: float, chords: Sequence[tuple[float, float]] = (), vibrato: float = 0.0) -> list[Planting]:
    notes = tuple(note(k, rebowed=rebowed) for k in range(NOTES))
    changes = tuple(Transition(k, k + 1, 100.0, 0.0, 1 - rebowed, True, float("nan")) for k in range(NOTES - 1))
    time_s = np.arange(0.0, NOTES * LENGTH_S, 0.0058)
    midi = np.array([notes[min(int(t / LENGTH_S), NOTES - 1)].midi for t in time_s])
    midi += vibrato * np.sin(2 * np.pi * 6.1 * time_s)
    line = cast("Line", SimpleNamespace(time_s=time_s, f0_hz=440.0 * 2 ** ((midi - 69.0) / 12)))
    made = choose(line, Detection(notes, changes, (), ()), chords=chords, plantings=8, rng=np.random.default_rng(3))
    assert len(made) >= 4
    return made


@pytest.mark.parametrize("rebowed", [0.1, 0.9])
def test_a_slide_is_carried_by_one_stroke(rebowed: float) -> None:
    inside = [p.slide.start_s + 1e-6 < p.changes_s < p.slide.end_s - 1e-6 for p in chosen(rebowed=rebowed)]
    assert inside == [rebowed < 0.5] * len(inside)
    on_both = {p.changes_s == pytest.approx(p.slide.end_s) for p in chosen(rebowed=0.9)}
    assert on_both == {False, True}


def test_none_is_planted_where_chords_sound() -> None:
    half = NOTES * LENGTH_S / 2
    anywhere = [p.until_s > half for p in chosen(rebowed=0.1)]
    assert any(anywhere)
    assert not any(p.until_s > half + 0.1 for p in chosen(rebowed=0.1, chords=[(half + 0.1, 2 * half)]))


def test_a_slide_that_cuts_into_notes_goes_from_level_to_level() -> None:
    for planting in chosen(rebowed=0.1, vibrato=0.3):
        slide, changes_s = planting.slide, planting.changes_s
        for cut_s, midi in ((changes_s - slide.start_s, slide.from_midi), (slide.end_s - changes_s, slide.to_midi)):
            if cut_s > JOIN_S:
                assert midi == pytest.approx(round(midi), abs=0.05)
