"""A written part as plain values: its notes in the order of the page, and the ways through them."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from pipeline.store.parts.pitch import name_of

WayKind = Literal["repeat", "ending", "da_capo", "dal_segno", "coda", "fine"]
MOST_NOTES = 100_000
_Place = tuple[int, float, int, int]
THE_END = 0
"""Event to which a ``fine`` leads."""


@dataclass(frozen=True)
class WrittenNote:
    """One note on paper.

    ``onset`` and ``quarters`` are its place from the beginning of the part and its length, in quarter notes; ``beat``
    and ``beats`` the same in the bar and in notes of the time signature's lower figure. ``midi`` sounds, 69 is A4.
    ``signature`` is the key signature there: sharps, flats negative.
    """

    midi: float
    event: int = 0
    bar_index: int | None = None
    bar: str | None = None
    beat: float | None = None
    beats: float | None = None
    onset: float | None = None
    name: str | None = None
    grace: bool = False
    string: str | None = None
    finger: int | None = None
    position: int | None = None
    slide_marked: bool = False
    slurred_to_next: bool = False
    signature: int | None = None
    take_id: str | None = None
    time_s: float | None = None


@dataclass(frozen=True, order=True)
class Way:
    """After ``from_event`` one may go on at ``to_event``; ``times`` is how often at most."""

    from_event: int
    to_event: int
    way: WayKind
    times: int = 1


@dataclass(frozen=True)
class WrittenPart:
    """Notes with their events numbered from 1 without gaps, and ways between events."""

    notes: tuple[WrittenNote, ...]
    ways: tuple[Way, ...] = ()

    @property
    def last_event(self) -> int:
        return self.notes[-1].event if self.notes else 0


def numbered(notes: Iterable[WrittenNote], together: Iterable[object]) -> tuple[WrittenNote, ...]:
    """Notes with events: neighbours whose value of ``together`` is the same are struck together, lowest first."""
    groups: list[list[WrittenNote]] = []
    last: object = object()
    for note, mark in zip(notes, together, strict=True):
        if not groups or mark != last:
            groups.append([])
        groups[-1].append(note)
        last = mark
    return tuple(
        replace(note, event=event, name=note.name or name_of(note.midi, note.signature))
        for event, group in enumerate(groups, start=1)
        for note in sorted(group, key=lambda n: n.midi)
    )


def folded(notes: Sequence[WrittenNote]) -> WrittenPart:
    """A part from notes in the order played, where a repeat stands twice: known by bars that go back.

    What stands in a bar already read, at the same beat and pitch, is the same note on paper. Without bars, every note
    is an event of its own.
    """
    if any(n.bar_index is None for n in notes):
        return WrittenPart(numbered(notes, range(len(notes))))
    places = _places(notes)
    on_paper: dict[_Place, dict[float, WrittenNote]] = {}
    for place, note in zip(places, notes, strict=True):
        on_paper.setdefault(place, {}).setdefault(note.midi, note)
    ordered = sorted(on_paper)
    event_of = {place: event for event, place in enumerate(ordered, start=1)}
    marked = [(note, place) for place in ordered for note in on_paper[place].values()]
    onsets = _onsets([note for note, _ in marked])
    with_onsets = [replace(note, onset=onset) for (note, _), onset in zip(marked, onsets, strict=True)]
    return WrittenPart(
        numbered(with_onsets, [place for _, place in marked]),
        _ways([event_of[place] for place in places], [note.midi for note in notes]),
    )


def _ways(events: Sequence[int], midi: Sequence[float]) -> tuple[Way, ...]:
    """The turns that events in the order played take: back for a repeat, on for a later ending."""
    turns: Counter[tuple[int, int]] = Counter()
    struck: set[float] = set()
    for (one, other), pitch, following in zip(pairwise(events), midi, midi[1:], strict=False):
        struck.add(pitch)
        if other == one and following not in struck:
            continue  # another note of a chord
        struck.clear()
        if other != one + 1:
            turns[one, other] += 1
    return tuple(
        Way(one, other, "repeat", times) if other <= one else Way(one, other, "ending")
        for (one, other), times in sorted(turns.items())
    )


def _places(notes: Sequence[WrittenNote]) -> list[_Place]:
    """Where each note stands, in an order that sorts: bar, beat, grace notes first; without a beat, its number."""
    places: list[_Place] = []
    bar, count = None, 0
    for note in notes:
        count = count + 1 if note.bar_index == bar else 0
        bar = note.bar_index
        alone = note.grace or note.beat is None
        places.append((note.bar_index or 0, note.beat or 0.0, 0 if note.grace else 1, count if alone else 0))
    return places


def _onsets(notes: Sequence[WrittenNote]) -> list[float | None]:
    """Places from the beginning, where every note has its beat; a bar is as long as the latest beat tells.

    Without a time signature this is common practice, no source; a quarter note stands for a beat.
    """
    if any(n.beat is None for n in notes):
        return [n.onset for n in notes]
    length = max(math.floor(n.beat or 1.0) for n in notes)
    first = min(n.bar_index or 0 for n in notes)
    return [((n.bar_index or 0) - first) * length + (n.beat or 1.0) - 1.0 for n in notes]
