"""Bars as they are typed: ``21``, ``21-24``, ``12a``, ``21:3`` (the third beat of bar 21)."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.errors import UsageError

Row = dict[str, Any]
_BARS = re.compile(r"\s*([0-9]+[a-z]?)(?::([0-9]+(?:\.[0-9]+)?))?(?:\s*[-–]\s*([0-9]+[a-z]?))?\s*")


@dataclass(frozen=True)
class Stretch:
    """Events of a part from ``first`` to ``last``, how the stretch is called, and whether it is all of the part.

    Of bars, ``last`` is the first event of the bar after: the step that leads there belongs to the bar that it leaves.
    """

    first: int
    last: int
    name: str
    is_whole: bool = False


def stretch(notes: Sequence[Row], bars: str | None) -> Stretch:
    """The events that ``bars`` means: whole bars, or a beat and the next event; all events for None.

    Where a part has no bars, its events are numbered instead.

    Raises
    ------
    UsageError
        If it cannot be read, or the part has no such bar; names the bars that it has.
    """
    if bars is None:
        return Stretch(notes[0]["event"], notes[-1]["event"], "the whole part", is_whole=True)
    matched = _BARS.fullmatch(bars)
    if matched is None:
        raise UsageError(f"--bars {bars!r} cannot be read", "write 21, 21-24, 12a, or 21:3 for a beat")
    first, beat, last = matched.groups()
    counted = any(note["bar"] is None for note in notes)
    place = [str(note["event"] if counted else note["bar"]) for note in notes]
    for bar in (first, last or first):
        if bar not in place:
            what = "note" if counted else "bar"
            raise UsageError(f"there is no {what} {bar}", f"the part has {what}s {place[0]} to {place[-1]}")
    begins, ends = place.index(first), len(place) - 1 - place[::-1].index(last or first)
    if begins > ends:
        raise UsageError(f"--bars {bars!r} runs backwards", f"write {last}-{first}")
    what = "notes" if counted else "bars" if last and last != first else "bar"
    name = f"{what} {first}" + (f"–{last}" if last and last != first else "")
    if beat is None:
        return Stretch(notes[begins]["event"], min(notes[ends]["event"] + 1, notes[-1]["event"]), name)
    here = [note for note in notes[begins : ends + 1] if note["beat"] is not None and note["beat"] >= float(beat)]
    if not here:
        raise UsageError(f"bar {first} has nothing on beat {beat}", "leave the beat away to see the whole bar")
    return Stretch(here[0]["event"], min(here[0]["event"] + 1, notes[-1]["event"]), f"bar {first}, beat {beat}")
