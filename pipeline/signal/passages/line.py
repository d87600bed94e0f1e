"""Written events whose notes were not found, but which the pitch line passes through at the right time.

Notes are lost where they are short, soft or run into one another; the line often goes on. Between two found notes that
stand apart in the part, before the first and after the last, the events between are laid on the line in order (dynamic
time warping: Sakoe and Chiba, IEEE Transactions on Acoustics, Speech and Signal Processing 26, 1978), each not far from
where the tempo puts it. An event is heard if the line rests on its pitch; a gap is bridged if most of its events are.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from pipeline.signal.passages.part import MOST_SKIPPED, Bools, Ints, Part
from pipeline.units import Floats

HOP_S = 0.012
"""The line is looked at so often."""
IN_TUNE = 0.6
"""Semitones within which the line is on an event's pitch."""
LEAST_HEARD_S, LEAST_IN_TUNE = 0.04, 0.5
"""How long the line must be on the pitch, and in which share of the time that it sounds there."""
MOST_HEARD = 0.6
"""Share of the events of a gap from which on it is bridged (tried on solo violin and on renders)."""
SLOWEST = 2.0
"""How many times longer or shorter than the tempo says a gap may last and be bridged."""
LATE_S, LATE = 0.3, 0.25
"""How far an event may lie from where the tempo puts it, and how much more for each second of the gap."""
MOST_EVENTS = 100
"""Longer gaps are left alone: so much is not lost without another reason."""
_SILENT = 0.3
"""What a frame without a line costs; one off the pitch costs up to 1."""


class Notes(NamedTuple):
    """The found notes of a take, each (notes,).

    ``event`` is the event that each strikes, -1 for none; ``beat_s`` how long a beat lasts there, NaN where unknown.
    """

    event: Ints
    start_s: Floats
    end_s: Floats
    beat_s: Floats


@dataclass(frozen=True)
class Heard:
    """Events heard in one gap.

    Attributes
    ----------
    before, after : numbers of the found notes on both sides, -1 at an end of the take.
    joins : whether both are of one going through the part, events of the gap included.
    event, start_s, end_s : (heard,) the events, and when they sound.
    """

    before: int
    after: int
    joins: bool
    event: Ints
    start_s: Floats
    end_s: Floats


@dataclass(frozen=True)
class _Gap:
    """``chain`` is to be laid between two found notes; ``due`` (chain + 1,) is when each should begin, and the end."""

    before: int
    after: int
    chain: Ints
    due: Floats

    @property
    def is_open(self) -> bool:
        return self.before < 0 or self.after < 0


def heard_in_line(part: Part, notes: Notes, *, line_s: Floats, line_semitones: Floats) -> list[Heard]:
    """Events that the line passes through; ``line_semitones`` at the written pitch, NaN where there is no line."""
    if line_s.size == 0 or not np.isfinite(notes.beat_s).any():
        return []
    known = np.where(np.isfinite(notes.beat_s), notes.beat_s, np.nanmedian(notes.beat_s))
    frames = np.arange(line_s[0], line_s[-1], HOP_S)
    line = line_semitones[np.clip(np.searchsorted(line_s, frames), 0, line_s.size - 1)]
    found = []
    for gap in _gaps(part, notes._replace(beat_s=known)):
        begin = notes.end_s[gap.before] if gap.before >= 0 else -np.inf
        end = notes.start_s[gap.after] if gap.after >= 0 else np.inf
        inside = (frames >= begin) & (frames < end)
        heard = _heard(part, gap, frames[inside], line[inside])
        if heard is not None:
            found.append(heard)
    return found


def _gaps(part: Part, notes: Notes) -> Iterator[_Gap]:
    """Where events are missing between neighbours, along the part or along a written way, and at both ends."""
    struck = np.flatnonzero(notes.event >= 0).tolist()
    if not struck:
        return
    lasts = np.diff(np.append(part.beats, part.end_beat))
    first, last = struck[0], struck[-1]
    chain = np.arange(max(0, int(notes.event[first]) - MOST_EVENTS), int(notes.event[first]))
    before = np.append(np.cumsum(lasts[chain][::-1])[::-1], 0.0)
    yield _Gap(-1, first, chain, notes.start_s[first] - notes.beat_s[first] * before)
    for j, k in pairwise(struck):
        a, b = int(notes.event[j]), int(notes.event[k])
        for chain in _chains(part, a, b):
            beats = lasts[a] + np.append(0.0, np.cumsum(lasts[chain]))
            apart_s = notes.start_s[k] - notes.start_s[j]
            ratio = apart_s / (beats[-1] * np.sqrt(notes.beat_s[j] * notes.beat_s[k]))
            if 1.0 / SLOWEST <= ratio <= SLOWEST:
                yield _Gap(j, k, chain, notes.start_s[j] + apart_s * beats / beats[-1])
    chain = np.arange(int(notes.event[last]) + 1, min(int(notes.event[last]) + 1 + MOST_EVENTS, lasts.size))
    after = lasts[int(notes.event[last])] + np.append(0.0, np.cumsum(lasts[chain]))
    yield _Gap(last, -1, chain, notes.start_s[last] + notes.beat_s[last] * after)


def _chains(part: Part, a: int, b: int) -> Iterator[Ints]:
    """The events between two: straight on, or by one written way back."""
    if a + 1 < b <= a + MOST_EVENTS:
        yield np.arange(a + 1, b)
    for leaves, comes in part.ways if b <= a else ():
        if a <= leaves and comes <= b and 0 < leaves - a + b - comes <= MOST_EVENTS:
            yield np.append(np.arange(a + 1, leaves + 1), np.arange(comes, b))


def _heard(part: Part, gap: _Gap, times: Floats, line: Floats) -> Heard | None:
    if times.size == 0 or gap.chain.size == 0:
        return None
    if gap.before < 0:  # laid backwards from the first note
        back = replace(gap, before=gap.after, after=-1, chain=gap.chain[::-1], due=-gap.due[::-1])
        found = _heard(part, back, -times[::-1], line[::-1])
        if found is None:
            return None
        turned = (found.event[::-1], -found.end_s[::-1], -found.start_s[::-1])
        return Heard(-1, gap.after, False, *turned)
    if gap.is_open:  # only as far as there is a line, and written music
        there = gap.due[:-1] <= times[-1]
        gap = replace(gap, chain=gap.chain[there], due=gap.due[: int(there.sum()) + 1])
        near = times <= gap.due[-1] + LATE_S + LATE * (gap.due[-1] - gap.due[0])
        times, line = times[near], line[near]
    off = _off(part, gap.chain, line)
    path = _path(off, times, gap)
    if path is None:
        return None
    sounds = np.isfinite(off)
    own = path[:, None] == np.arange(gap.chain.size)[None, :]
    on = (own & (off <= IN_TUNE)).sum(axis=0)
    is_heard = (on * HOP_S >= LEAST_HEARD_S) & (on >= LEAST_IN_TUNE * (own & sounds).sum(axis=0))
    if gap.is_open:
        is_heard = _reach(is_heard)
    elif gap.chain.size > MOST_SKIPPED and is_heard.mean() < MOST_HEARD:
        return None
    if not is_heard.any():
        return None
    first, last = own.argmax(axis=0), own.shape[0] - 1 - own[::-1].argmax(axis=0)
    straight = not gap.is_open and bool((np.diff(gap.chain) > 0).all())
    return Heard(
        gap.before, gap.after, straight, gap.chain[is_heard], times[first[is_heard]], times[last[is_heard]] + HOP_S
    )


def _off(part: Part, chain: Ints, line: Floats) -> Floats:
    """Semitones from the line to the nearest note of each event, (frames, chain); NaN where there is no line."""
    return np.array([np.abs(line[:, None] - np.array(part.pitches[i])).min(axis=1) for i in chain]).T.reshape(
        line.size, chain.size
    )


def _path(off: Floats, times: Floats, gap: _Gap) -> Ints | None:
    """The cheapest way through the events in order, one for each frame; None where the tempo leaves none."""
    frames, size = off.shape
    if frames < size or size == 0:
        return None
    along = gap.due - gap.due[0] if gap.is_open else np.full(size + 1, gap.due[-1] - gap.due[0])
    slack = LATE_S + LATE * along
    begins, ends = gap.due[:-1] - slack[:-1], gap.due[1:] + slack[1:]
    begins[0] = -np.inf
    ends[-1] = np.inf
    in_time = (times[:, None] >= begins) & (times[:, None] <= ends)
    cost = np.where(in_time, np.where(np.isfinite(off), np.minimum(off, 2.0) / 2.0, _SILENT), np.inf)
    total = np.append(cost[0, :1], np.full(size - 1, np.inf))
    stays = np.ones(cost.shape, dtype=np.bool_)
    for f in range(1, frames):
        come = np.append(np.inf, total[:-1])
        stays[f] = total <= come
        total = np.where(stays[f], total, come) + cost[f]
    last = int(np.argmin(total)) if gap.is_open else size - 1
    if not np.isfinite(total[last]):
        return None
    path = np.empty(frames, dtype=np.int64)
    for f in range(frames - 1, -1, -1):
        path[f] = last
        last -= not stays[f, last]
    return path


def _reach(is_heard: Bools) -> Bools:
    """Events heard from a found note onwards, as far as most of them are."""
    shares = np.cumsum(is_heard) / np.arange(1, is_heard.size + 1)
    far = np.flatnonzero(is_heard & (shares >= MOST_HEARD))
    return is_heard & (np.arange(is_heard.size) <= (far[-1] if far.size else -1))
