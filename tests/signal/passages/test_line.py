"""Events without a note are heard in the pitch line where they were played, and not where they were not."""

import numpy as np
import pytest

from pipeline.signal.passages.line import Heard, Notes, heard_in_line
from pipeline.signal.passages.part import Part

BEAT_S = 0.4
PITCHES = [60, 64, 62, 65, 69, 67, 64, 60, 59, 62, 67, 71, 69, 65, 62, 64, 60, 67, 72, 71, 69, 67, 65, 64]
PART = Part(
    pitches=tuple((float(p),) for p in PITCHES),
    beats=np.arange(24.0),
    end_beat=24.0,
    bar_begins=np.arange(24) % 4 == 0,
    ways=((11, 0),),
)


def played(order: list[int], *, seed: int = 2) -> tuple[Notes, np.ndarray, np.ndarray]:
    """Notes and line of events in that order, two a second and a half, unevenly; -1 is a beat of silence."""
    rng = np.random.default_rng(seed)
    lasts = BEAT_S * np.exp(rng.normal(0, 0.15, len(order)))
    ends = np.cumsum(lasts)
    line_s = np.arange(0.0, ends[-1], 0.0058)
    which = np.minimum(np.searchsorted(ends, line_s, side="right"), len(order) - 1)
    pitch = np.array([PITCHES[i] if i >= 0 else np.nan for i in order])
    line = pitch[which] + rng.normal(0, 0.15, line_s.size)
    return Notes(np.array(order), ends - lasts, ends - 0.02, np.full(len(order), BEAT_S)), line_s, line


def heard(notes: Notes, line_s: np.ndarray, line: np.ndarray, *, lost: list[int]) -> list[Heard]:
    """What is heard when those of the notes are lost."""
    kept = np.setdiff1d(np.flatnonzero(notes.event >= 0), lost)
    return heard_in_line(PART, Notes(*(each[kept] for each in notes)), line_s=line_s, line_semitones=line)


@pytest.mark.parametrize("lost", [[5], [*range(4, 12)], [*range(5)], [*range(18, 24)]])
def test_lost_notes_are_heard_when_they_sound(lost: list[int]) -> None:
    notes, line_s, line = played([*range(24)])
    (gap,) = heard(notes, line_s, line, lost=lost)
    assert gap.event.tolist() == lost
    assert gap.joins == (0 not in lost and 23 not in lost)
    assert np.abs(gap.start_s - notes.start_s[lost]).max() < 0.05
    assert np.abs(gap.end_s - notes.start_s[lost] - np.diff(np.append(notes.start_s, line_s[-1]))[lost]).max() < 0.05


def test_a_repeat_whose_turn_is_lost_is_heard_on_both_sides() -> None:
    notes, line_s, line = played([*range(12), *range(24)])
    (gap,) = heard(notes, line_s, line, lost=[*range(8, 15)])
    assert gap.event.tolist() == [8, 9, 10, 11, 0, 1, 2]
    assert not gap.joins


def test_a_cut_and_other_music_are_not_heard() -> None:
    cut, line_s, line = played([*range(6), *range(16, 24)])
    assert heard(cut, line_s, line, lost=[]) == []
    rest, line_s, line = played([*range(6), *[-1] * 10, *range(16, 24)])
    assert heard(rest, line_s, line, lost=[]) == []
    other, line_s, line = played([*range(24)])
    between = (line_s > other.start_s[6]) & (line_s < other.start_s[16])
    wrong = np.where(between, line[::-1] + 1.0, line)
    assert heard(other, line_s, wrong, lost=[*range(6, 16)]) == []


def test_without_tempo_or_line_nothing_is_said() -> None:
    notes, line_s, line = played([*range(24)])
    unknown = notes._replace(beat_s=np.full(24, np.nan))
    assert heard(unknown, line_s, line, lost=[5]) == []
    assert heard(notes, line_s[:0], line[:0], lost=[5]) == []
    assert heard_in_line(PART, Notes(*(each[:0] for each in notes)), line_s=line_s, line_semitones=line) == []
