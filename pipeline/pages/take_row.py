"""One take under a staff: its pitch over written time, slides set off, fingers, and how far it pulls the beat."""

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.answers.passages.gather import PASSED_BY, TakeRow
from pipeline.pages.pictures import Drawn
from pipeline.units import Floats

Bools = npt.NDArray[np.bool_]
HEIGHT, TEMPO = 128.0, 22.0
"""Height of the picture, and of the strip of tempo at its foot."""
_ABOVE, _BELOW = 8.0, 20.0
_SEMITONES_AROUND = 1.5
_BROKEN = 4.0
"""How much longer than the take's own pace a step must last to be broken off (common practice, no source)."""
_MOST_PULL = 0.7
"""Logarithm to base 2 of the tempo against the take's own middle at which the strip is full."""


@dataclass(frozen=True)
class Placed:
    """A take's found notes: their events (n,), onsets (n,) in quarter notes, and ends (n,) in corrected s.

    ``start_s`` and ``x`` (n + 1,) are their beginnings and places under the staff, and where the last one ends.
    """

    events: tuple[int, ...]
    onsets: Floats
    start_s: Floats
    end_s: Floats
    x: Floats

    @property
    def is_broken(self) -> Bools:
        """(n,) whether something else lies between a note and the next: a repeat, a cut, music not in the part."""
        lasts, written = np.diff(self.start_s), np.diff(self.onsets)
        if written.size == 0:
            return np.zeros(lasts.size, dtype=bool)
        pace = np.divide(lasts[:-1], written, out=np.full(written.size, np.nan), where=written > 0)
        if not np.isfinite(pace).any():
            return np.zeros(lasts.size, dtype=bool)
        return np.append(pace > _BROKEN * np.nanmedian(pace), False)

    def at(self, time_s: Floats) -> Floats:
        """Places under the staff of times from the first note to the end of the last: straight between two notes.

        NaN elsewhere, and where something else lies between two notes; the first of these fills its room.
        """
        broken = np.flatnonzero(self.is_broken)
        times = np.insert(self.start_s, broken + 1, self.end_s[broken])
        places = np.insert(self.x, broken + 1, self.x[broken + 1])
        found = np.interp(time_s, times, places, left=np.nan, right=np.nan)
        for i in broken:
            found[(time_s > self.end_s[i]) & (time_s < self.start_s[i + 1])] = np.nan
        return found


def placed(
    take: TakeRow, notes: Mapping[str, Any], *, at: Mapping[int, float], onsets: Mapping[int, float], right: float
) -> Placed:
    """The found notes of a take that stand below events ``at`` these places; the last lasts at most to ``right``."""
    found: dict[int, Any] = {}
    for step in take.steps.values():
        for event, name in ((step["from_event"], step["from_note_id"]), (step["to_event"], step["to_note_id"])):
            if event in at and name in notes:
                earlier = found.get(event)
                if earlier is None or notes[name]["start_s"] < earlier["start_s"]:
                    found[event] = notes[name]
    order = [event for event in sorted(found) if np.isfinite(found[event]["start_s"])]
    kept: list[int] = []
    for event in order:  # a note cut in two may be told before its neighbour
        if not kept or found[event]["start_s"] > found[kept[-1]]["start_s"]:
            kept.append(event)
    starts = [found[event]["start_s"] for event in kept]
    ends = [found[event]["end_s"] for event in kept]
    places = [at[event] for event in kept]
    if kept:  # the last note goes on to the edge
        starts.append(max(ends[-1], starts[-1] + 0.05))
        places.append(min(right, places[-1] + 40.0))
    written = np.array([onsets[event] for event in kept])
    return Placed(tuple(kept), written, np.array(starts), np.array(ends), np.array(places))


def row_svg(
    take: TakeRow, where: Placed, line: Drawn, *, at: Mapping[int, float], width: float, midi: tuple[float, float]
) -> str:
    """The picture; ``midi`` is the written range of the passage, ``at`` the places of events."""
    low, high = midi[0] + take.shift_semitones - _SEMITONES_AROUND, midi[1] + take.shift_semitones + _SEMITONES_AROUND
    floor = HEIGHT - TEMPO - _BELOW

    def y(pitch: Any) -> Any:
        return _ABOVE + (floor - _ABOVE) * (high - pitch) / (high - low)

    parts = [_marks(take, at, floor, width)]
    if where.events:
        inside = (line.line_s >= where.start_s[0]) & (line.line_s <= where.start_s[-1])
        x, pitch = where.at(line.line_s[inside]), line.line_midi[inside]
        ok = np.isfinite(pitch) & (pitch > low - 3) & (pitch < high + 3)
        parts.append(_polylines(np.where(ok, x, np.nan), np.clip(y(pitch), 0.0, floor + 4), "pitch"))
        for i, event in enumerate(where.events):
            note = next(n for n in line.notes if abs(n["start_s"] - where.start_s[i]) < 1e-9)
            ends = float(where.at(np.array([min(where.end_s[i], where.start_s[i + 1])]))[0])
            parts.append(f'<path class="note" d="M{where.x[i]:.1f} {y(note["midi"]):.1f}H{ends:.1f}"/>')
            if text := take.finger(event):
                parts.append(f'<text class="finger" x="{where.x[i]:.1f}" y="{floor + 14:.0f}">{text}</text>')
        for slide in line.slides:
            span = (line.line_s >= slide["start_s"]) & (line.line_s <= slide["end_s"]) & inside
            if span.any():
                over = where.at(line.line_s[span])
                parts.append(_polylines(over, np.clip(y(line.line_midi[span]), 0.0, floor + 4), "slide"))
        parts.append(_tempo(where, floor + _BELOW))
    label = escape(f"{take.label}: {take.slid} slid of {take.told} that can be told")
    body = "".join(parts)
    return f'<svg viewBox="0 0 {width:.0f} {HEIGHT:.0f}" role="img" aria-label="{label}">{body}</svg>'


def _marks(take: TakeRow, at: Mapping[int, float], floor: float, width: float) -> str:
    """What can be told of each place, as a ground: hatched, crossed out, or plain; slid places tinted."""
    drawn = []
    events = sorted(at)
    for one, other in zip(events, [*events[1:], None], strict=True):
        step = take.steps.get(other if other is not None else one + 1)
        if step is None:
            continue
        x, right = at[one], at[other] if other is not None else width - 4
        shape = f'x="{x:.1f}" y="2" width="{max(right - x, 1):.1f}" height="{floor:.1f}"'
        kind = {"cannot_tell": "unknown", PASSED_BY: "absent", "slid": "slid"}.get(step["outcome"], "")
        if kind == "absent":
            drawn.append(f'<g class="absent"><rect {shape}/><path d="M{x:.1f} {floor + 2:.1f}L{right:.1f} 2"/></g>')
        elif kind:
            drawn.append(f'<rect class="{kind}" {shape}/>')
    return "".join(drawn)


def _polylines(x: Floats, y: Floats, kind: str) -> str:
    """Lines through points, broken where one is missing."""
    ok = np.isfinite(x) & np.isfinite(y)
    path, down = [], False
    for here, px, py in zip(ok, x, y, strict=True):
        if here:
            path.append(f"{'L' if down else 'M'}{px:.1f} {py:.1f}")
        down = bool(here)
    return f'<path class="{kind}" d="{"".join(path)}"/>' if path else ""


def _tempo(where: Placed, top: float) -> str:
    """Tempo from note to note against the middle of the passage: above the line faster, below slower."""
    lasts, room = np.diff(where.start_s[:-1]), np.diff(where.x[:-1])
    if lasts.size < 2:
        return ""
    written = np.diff(where.onsets)
    pull = np.log2(np.where((written > 0) & ~where.is_broken[:-1], written, np.nan) / lasts)
    if not np.isfinite(pull).any():
        return ""
    pull = np.clip((pull - np.nanmedian(pull)) / _MOST_PULL, -1.0, 1.0)
    middle, half = top + TEMPO / 2 - 1, TEMPO / 2 - 2
    bars = "".join(
        f'<path d="M{x:.1f} {middle - half * each:.1f}h{wide:.1f}"/>'
        for x, wide, each in zip(where.x, room, pull, strict=False)
        if np.isfinite(each)
    )
    rest = f'<path class="middle" d="M{where.x[0]:.1f} {middle:.1f}H{where.x[-2]:.1f}"/>'
    return f'<g class="tempo">{rest}{bars}</g>'
