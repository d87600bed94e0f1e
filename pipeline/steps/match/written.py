"""Rows of a written part as the part that notes are laid on."""

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

import numpy as np

from pipeline.signal.passages.part import Part
from pipeline.store.catalogue.tables import Catalogue

GRACE_BEATS = 0.15
"""How long a grace note lasts, taken from the note before it (common practice, no source)."""
SHORTEST_BEATS = 0.01

Row = Mapping[str, Any]
_NOTE = ("event", "bar_index", "beat", "beats", "onset", "midi", "grace")


def part_rows(catalogue: Catalogue, work_id: str, edition: str) -> dict[str, list[dict[str, Any]]]:
    """What the catalogue holds of an edition, as ``part_of`` takes it: ``notes`` and ``ways``."""
    own = {"work_id": work_id, "edition": edition}
    return {
        "notes": [{name: row[name] for name in _NOTE} for row in catalogue.rows("written_note", **own)],
        "ways": [
            {name: row[name] for name in ("from_event", "to_event")} for row in catalogue.rows("written_way", **own)
        ],
    }


def part_of(notes: Sequence[Row], ways: Sequence[Row]) -> tuple[Part, list[int]]:
    """The part, and the number of each of its events in the catalogue.

    Parameters
    ----------
    notes : rows of ``written_note`` of one edition, in order, at least one.
    ways : its rows of ``written_way``.
    """
    events = [list(group) for _, group in groupby(notes, key=lambda note: note["event"])]
    numbers = [int(event[0]["event"]) for event in events]
    place = {number: i for i, number in enumerate(numbers)}
    beats = _beats([event[0] for event in events])
    last = max(float(note["beats"] or 1.0) for note in events[-1])
    bars = [event[0]["bar_index"] for event in events]
    part = Part(
        pitches=tuple(tuple(sorted({float(note["midi"]) for note in event})) for event in events),
        beats=np.array(beats),
        end_beat=beats[-1] + max(last, SHORTEST_BEATS),
        bar_begins=np.array(
            [a is not None and a != before for a, before in zip(bars, [None, *bars[:-1]], strict=True)]
        ),
        ways=tuple(
            (place[way["from_event"]], place[way["to_event"]])
            for way in ways
            if way["from_event"] in place and way["to_event"] in place
        ),
    )
    return part, numbers


def _beats(firsts: Sequence[Row]) -> list[float]:
    """Where events begin: as written, else by bars of one length, else one a beat; rising throughout."""
    if all(note["onset"] is not None for note in firsts):
        written = [float(note["onset"]) for note in firsts]
    elif all(note["bar_index"] is not None and note["beat"] is not None for note in firsts):
        bar = max(float(note["beat"]) - 1.0 + float(note["beats"] or 1.0) for note in firsts)
        written = [bar * note["bar_index"] + float(note["beat"]) - 1.0 for note in firsts]
    else:
        written = [float(i) for i in range(len(firsts))]
    at = written[-1]
    for i in range(len(firsts) - 2, -1, -1):
        at = min(written[i], at - (GRACE_BEATS if firsts[i]["grace"] else SHORTEST_BEATS))
        written[i] = at
    return written
