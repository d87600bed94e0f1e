"""From candidates in frames to notes, and from notes that sound together to chords.

Quick single notes share a window, so two are said to sound where one follows the other: a chord is claimed from 200 ms
on, or from 60 ms where its notes begin within 60 ms of one another.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import logit

from pipeline.compiled import compiled, median_of_known
from pipeline.signal.chords.beside import SAME_BINS
from pipeline.signal.chords.candidates import Ints
from pipeline.signal.chords.grid import F32, HOP_S, PER_SEMITONE
from pipeline.signal.chords.judge import Sounding
from pipeline.signal.chords.playable import best_set
from pipeline.signal.hand.fingerboard import Fingerboard
from pipeline.units import Floats

MOVES_BINS = 3
"""Most bins that a note moves from frame to frame: 60 cents in 23 ms. With 4, a semitone's step may be one note."""
ONE_BINS = 4
"""Bins within which two notes of one chord are pieces of one: 80 cents (common practice, no source)."""
STEP_BINS, STEP_FRAMES = 2.9, 7
"""Most bins from the middle of so many frames of a note, a vibrato's period, to that of the next: 40 cents to either
side of a vibrato of 5 to 7 Hz cut no note."""
JOIN_BINS = 2.0
"""Bins within which pieces of a note lie: with 3, a note that returns after its neighbour is one with it."""
GOES_ON = 1.5
"""Log odds that a note which sounded just before is bowed still, against a new one's: with less, held notes of an old
disc break in pieces."""
GAP_FRAMES = 2  # 46 ms for which a note may be lost (common practice, no source)
SHORTEST_FRAMES = 3  # 70 ms (common practice, no source)
SHORT_FRAMES, LEAST_ODDS = 9, 1.0
"""A note so short (210 ms) needs so much log odds, summed over its frames: of those that have less in five real
movements none was written. With 2.5, basses of broken chords are lost; asked of longer notes, octaves."""
LIKELY = 0.5
"""Probability from which on a note is named that lies an octave or a twelfth above another, whose partials it has; one
less likely is possible (``octaves``): on mixes 12 of 27 such were played."""
JOINED_FRAMES, JOINED_BOWED = 12, 0.45
"""Longest gap between pieces of one note, and least mean probability of bowing in it (common practice, no source)."""
# How far apart the notes of one chord begin (common practice, no source).
CLAIM_S, CLAIM_TOGETHER_S, TOGETHER_S = 0.2, 0.06, 0.06
NEXT_S, BREAK_S = 0.15, 0.35
"""Longest time from an onset of a broken chord to the next, and from its first to its last: 30 to 290 ms were heard."""
MOST_NOTES = 4  # strings
ABOVE = (12.0, 19.0)  # semitones to partials 2 and 3
NEAR = 0.6
"""Semitones off at which a candidate is an octave still: two of the grid's 20 cents beside half a semitone."""


@dataclass(frozen=True, eq=False)
class Note:
    """One bowed note: frames ``first`` to ``last`` (not included), its place on the grid in each, and its probability.

    ``bins`` (last - first,) is NaN in frames bridged. ``bowed`` is the mean over frames, lower for short notes, whose
    edges weigh more; ``surest`` their upper quartile.
    """

    first: int
    last: int
    bins: Floats
    bowed: float
    surest: float

    @cached_property
    def pitch_bin(self) -> float:
        """Its middle place on the grid."""
        return median_of_known(self.bins)


@dataclass(frozen=True)
class Span:
    """Notes that sound together from frame ``first`` to ``last`` (not included), lowest first.

    ``fresh`` says of each note whether it begins with the chord; the others were bowed before. ``probability`` that two
    or more are bowed, ``whole`` that exactly these are.
    """

    first: int
    last: int
    notes: tuple[Note, ...]
    fresh: tuple[bool, ...]
    probability: float
    whole: float


def notes_of(sounding: Sounding, *, board: Fingerboard, midi: Floats) -> list[Note]:
    """All bowed notes in order of their beginning; ``midi`` as ``sounding.bins``, at the tuning of ``board``."""
    share = np.clip(sounding.bowed, 1e-3, 1.0 - 1e-3)
    odds = np.where(sounding.bins >= 0, logit(share), -np.inf)
    # What cannot be bowed even if it goes on is not looked at: most frames hold one candidate or two.
    able = np.nonzero(odds > -GOES_ON)
    places, bowed = sounding.bins[able], sounding.bowed[able]
    still = (sounding.bowed > sounding.ringing)[able].tolist()
    columns = (able[0], places, midi[able], odds[able])
    frame_of, place_of, pitches, alone = (values.tolist() for values in columns)
    starts = np.flatnonzero(np.diff(able[0], prepend=-1)).tolist()
    growing: list[_Growing] = []
    open_notes: list[_Growing] = []
    for start, end in pairwise((*starts, able[0].size)):
        frame = frame_of[start]
        open_notes = [note for note in open_notes if frame - note.frame <= GAP_FRAMES]
        goes_on = [_nearest(open_notes, place) for place in place_of[start:end]]
        here = [alone[i] + GOES_ON * (still[i] and goes_on[i - start] is not None) for i in range(start, end)]
        for k in best_set(board, pitches[start:end], here):
            note = goes_on[k]
            if note is None or note.frame == frame:
                note = _Growing()
                growing.append(note)
                open_notes.append(note)
            note.frame, note.place = frame, place_of[start + k]
            note.rows.append(start + k)
    whole = (note.note(able[0], places, bowed) for note in growing)
    pieces = (piece for note in whole for piece in _at_steps(note))
    found = sorted(pieces, key=lambda note: (note.first, note.pitch_bin))
    sure = [note for note in _joined(found, sounding) if _is_sure(note)]
    return [note for note in sure if note.bowed >= LIKELY or not _is_above_another(note, sure)]


def _is_sure(note: Note) -> bool:
    frames = note.last - note.first
    if frames > SHORT_FRAMES:
        return True
    return frames >= SHORTEST_FRAMES and frames * logit(min(note.bowed, 1.0 - 1e-3)) >= LEAST_ODDS


def is_above(semitones: float) -> bool:
    """Whether an interval is an octave or a twelfth."""
    return any(abs(semitones - step) < NEAR for step in ABOVE)


def _is_above_another(note: Note, notes: list[Note]) -> bool:
    """Whether a note lies an octave or a twelfth above one that sounds for half of its time."""
    return any(
        2 * _shared(note, other) > note.last - note.first
        and is_above((note.pitch_bin - other.pitch_bin) / PER_SEMITONE)
        for other in notes
    )


def _at_steps(note: Note) -> list[Note]:
    """The note cut where its pitch steps: a semitone off, the next one comes up while this one still sounds."""
    bins = note.bins
    if np.nanmax(bins) - np.nanmin(bins) < STEP_BINS:
        return [note]
    known = np.flatnonzero(np.isfinite(bins))
    ends = known[2:-1]
    at, apart = _largest_step(bins, ends)
    if not apart > STEP_BINS:
        return [note]
    end, start = int(known[at + 1]) + 1, int(ends[at])
    pieces = (
        replace(note, last=note.first + end, bins=bins[:end]),
        replace(note, first=note.first + start, bins=bins[start:]),
    )
    return [piece for part in pieces for piece in _at_steps(part)]


@compiled()
def _largest_step(bins, ends):  # type: ignore[no-untyped-def]
    """At which of the frames ``ends`` of a note its middle before and that after lie farthest apart, and how far."""
    best, most = 0, 0.0
    for i in range(ends.shape[0]):
        at = ends[i]
        before = median_of_known(bins[max(at - STEP_FRAMES, 0) : at])
        apart = abs(before - median_of_known(bins[at : at + STEP_FRAMES]))
        if apart > most:
            best, most = i, apart
    return best, most


def _joined(notes: list[Note], sounding: Sounding) -> list[Note]:
    """Pieces of notes that sound at once, or between which the pitch goes on to be heard, if less surely, as one."""
    kept: list[Note] = []
    for note in notes:
        for i in range(len(kept) - 1, max(len(kept) - 1 - 3 * MOST_NOTES, -1), -1):
            old = kept[i]
            apart = note.first - old.last
            if apart <= JOINED_FRAMES and abs(note.pitch_bin - old.pitch_bin) <= JOIN_BINS:
                if apart >= 0 and _bowed_at(sounding, old.last, note.first, float(note.bins[0])) < JOINED_BOWED:
                    continue
                weights = old.last - old.first, note.last - note.first
                bins = np.full(max(old.last, note.last) - old.first, np.nan)
                bins[note.first - old.first : note.last - old.first] = note.bins
                bins[: old.bins.size] = np.where(np.isfinite(old.bins), old.bins, bins[: old.bins.size])
                bowed = float(np.average((old.bowed, note.bowed), weights=weights))
                kept[i] = Note(old.first, max(old.last, note.last), bins, bowed, max(old.surest, note.surest))
                break
        else:
            kept.append(note)
    return kept


def _bowed_at(sounding: Sounding, first: int, last: int, place: float) -> float:
    """Mean probability that the pitch at a place of the grid is bowed in some frames; 1 of no frames."""
    if first >= last:
        return 1.0
    near = np.abs(sounding.bins[first:last] - place) <= SAME_BINS
    return float(np.where(near, sounding.bowed[first:last], 0.0).max(axis=1).mean())


def _nearest(notes: list["_Growing"], place: int) -> "_Growing | None":
    """The note that a candidate at this place goes on with."""
    best, least = None, MOVES_BINS + 1
    for note in notes:
        apart = abs(note.place - place)
        if apart < least:
            best, least = note, apart
    return best


class _Growing:
    """A note whose end has not come yet: its rows among the candidates, and its last frame and place."""

    def __init__(self) -> None:
        self.frame = -1
        self.place = -1
        self.rows: list[int] = []

    def note(self, frames: npt.NDArray[np.int64], places: Ints, bowed: F32) -> Note:
        at, sure = frames[self.rows], bowed[self.rows].astype(np.float64)
        first, last = int(at[0]), int(at[-1]) + 1
        bins = np.full(last - first, np.nan)
        bins[at - first] = places[self.rows]
        return Note(first, last, bins, float(sure.mean()), float(np.sort(sure)[3 * sure.size // 4]))


def spans_of(notes: list[Note]) -> list[Span]:
    """Chords among notes in order of their beginning."""
    found: list[Span] = []
    used = 0
    while used < len(notes):
        fresh = _beginning_together(notes, used)
        used = max(fresh) + 1 if len(fresh) > 1 else used + 1
        carried = [
            i
            for i in range(max(0, min(fresh) - 3 * MOST_NOTES), min(fresh))
            if any(_shared(notes[i], notes[j]) >= SHORTEST_FRAMES for j in fresh)
        ]
        span = _span([notes[i] for i in (*carried, *fresh)], [False] * len(carried) + [True] * len(fresh))
        if span is None:
            continue
        if found and _goes_on(found[-1], span):
            found[-1] = replace(found[-1], last=max(found[-1].last, span.last))
        else:
            found.append(span)
    return found


def _goes_on(old: Span, new: Span) -> bool:
    """Whether a chord is the one before, of which a note was lost for a while as the bow went on over the others."""
    if all(new.fresh) or new.first - old.last > JOINED_FRAMES:
        return False
    return all(any(abs(n.pitch_bin - o.pitch_bin) <= ONE_BINS for o in old.notes) for n in new.notes)


def _beginning_together(notes: list[Note], start: int) -> list[int]:
    """The note ``start`` and those that begin soon after it and sound together with it or one another."""
    fresh = [start]
    for i in range(start + 1, len(notes)):
        since = (notes[i].first - notes[start].first) * HOP_S
        if since > BREAK_S or (notes[i].first - notes[fresh[-1]].first) * HOP_S > NEXT_S:
            break
        if any(_shared(notes[i], notes[j]) >= SHORTEST_FRAMES for j in fresh):
            fresh.append(i)
        elif fresh != [start]:
            break
        else:
            return fresh
    return fresh


def _shared(one: Note, other: Note) -> int:
    return min(one.last, other.last) - max(one.first, other.first)


def _one_of_each(members: list[Note], fresh: list[bool]) -> tuple[list[Note], list[bool]]:
    """Of pieces of one note, heard with a gap, the longest."""
    kept: list[int] = []
    for i in sorted(range(len(members)), key=lambda i: members[i].first - members[i].last):
        if all(abs(members[i].pitch_bin - members[j].pitch_bin) > ONE_BINS for j in kept):
            kept.append(i)
    kept.sort()
    return [members[i] for i in kept], [fresh[i] for i in kept]


def _span(members: list[Note], fresh: list[bool]) -> Span | None:
    """A chord of these notes, if it lasts long enough to be claimed."""
    members, fresh = _one_of_each(members, fresh)
    if len(members) > MOST_NOTES:
        weight = [note.bowed * (note.last - note.first) for note in members]
        kept = sorted(sorted(range(len(members)), key=lambda i: -weight[i])[:MOST_NOTES])
        members, fresh = [members[i] for i in kept], [fresh[i] for i in kept]
    begin = min(note.first for note, new in zip(members, fresh, strict=True) if new) if any(fresh) else 0
    end = max(note.last for note in members)
    if len(members) < 2 or not any(fresh):
        return None
    sounding = np.zeros(end - begin, dtype=np.int64)
    for note in members:
        sounding[max(note.first - begin, 0) : max(note.last - begin, 0)] += 1
    together = np.flatnonzero(sounding >= 2)
    if not together.size:
        return None
    lasts_s = together.size * HOP_S
    starts = [note.first for note, new in zip(members, fresh, strict=True) if new]
    at_once = len(starts) > 1 and (max(starts) - min(starts)) * HOP_S <= TOGETHER_S
    if lasts_s < (CLAIM_TOGETHER_S if at_once else CLAIM_S):
        return None
    order = sorted(range(len(members)), key=lambda i: members[i].pitch_bin)
    bowed = sorted((note.bowed for note in members), reverse=True)
    return Span(
        first=begin + int(together[0]) if not all(fresh) else begin,
        last=begin + int(together[-1]) + 1,
        notes=tuple(members[i] for i in order),
        fresh=tuple(fresh[i] for i in order),
        probability=float(bowed[0] * bowed[1]),
        whole=float(np.prod(bowed)),
    )
