"""What of a followed line only rings: an old note that comes back softly, or goes on after the bow has left.

A string that the bow has left only falls, by 17 to 79 dB a second on real violins (quartiles), and lies 12 to 16 dB
under what was bowed; a bowed note swells first, if by little. So where the line returns to a pitch it had just before,
well under its level and falling from the first frame on, nobody plays: it is no note, and so no chance to slide.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d

from pipeline.compiled import median_of_known
from pipeline.signal.slides.frames import Frames, stretches
from pipeline.signal.slides.notes import SAME_PITCH, SHORTEST_NOTE_S, Span
from pipeline.units import Floats

UNDER_DB = 10.0
"""Least drop under the bowed note. On real solo violin 20 of the notes that so ring are in no score, 4 in one; at 5 dB
27 and 17."""
FALLS_DB_PER_S = 17.0  # the lower quartile of real strings
RISES_DB = 2.0
"""Greatest rise of what only falls, for levels waver; with 3 dB twice as many notes of the scores would ring."""
REMEMBERED_S = 1.0
"""How long after a note its string may be heard again: 20 dB at the slowest usual fall."""
SMOOTHED_S = 0.029  # half the tracker's window
SHORTEST_S = 0.06  # shorter ends of notes are not told from their edges (common practice, no source)


@dataclass(frozen=True)
class Bowed:
    """A line without what only rings: its frames, its notes, and what rings as first and last frames (not included)."""

    frames: Frames
    held: list[Span]
    ringing: list[tuple[int, int]]


def without_ringing(frames: Frames, held: list[Span]) -> Bowed:
    """The line with notes that only ring taken out; ends of notes that ring on stay, but are named."""
    width = frames.frames(SMOOTHED_S)
    levels = [uniform_filter1d(frames.level_db[s.start : s.end], width, mode="nearest") for s in held]
    bowed, returns, tails = [], [], []
    for span, own_db, bowed_db in zip(held, levels, _bowed_db(frames, held, levels), strict=True):
        if bowed_db - float(own_db.max()) >= UNDER_DB and _only_falls(own_db, frames.frame_s):
            returns.append((span.start, span.end))
            continue
        bowed.append(span)
        loud = np.flatnonzero(own_db > median_of_known(own_db) - UNDER_DB)
        tail = own_db[int(loud[-1]) + 1 :]
        if tail.size * frames.frame_s >= SHORTEST_S and _only_falls(tail, frames.frame_s):
            tails.append((span.end - tail.size, span.end))
    if not returns:
        return Bowed(frames, bowed, tails)
    midi = frames.midi.copy()
    for start, end in returns:
        midi[start:end] = np.nan
    return Bowed(replace(frames, midi=midi), _in_stretches(midi, bowed, frames), sorted(returns + tails))


def _bowed_db(frames: Frames, held: list[Span], levels: list[Floats]) -> list[float]:
    """The highest level of each note, or of the same pitch shortly before if that was higher."""
    found: list[float] = []
    for i, span in enumerate(held):
        highest = float(levels[i].max())
        for j in range(i - 1, -1, -1):
            if (span.start - held[j].end) * frames.frame_s > REMEMBERED_S:
                break
            if abs(held[j].level - span.level) < SAME_PITCH:
                highest = max(highest, found[j])
        found.append(highest)
    return found


def _only_falls(level_db: Floats, frame_s: float) -> bool:
    if float((level_db - np.minimum.accumulate(level_db)).max()) >= RISES_DB:
        return False
    at_s = (np.arange(level_db.size) - 0.5 * (level_db.size - 1)) * frame_s
    return bool(at_s @ level_db <= -FALLS_DB_PER_S * (at_s @ at_s))


def _in_stretches(midi: Floats, held: list[Span], frames: Frames) -> list[Span]:
    """The notes with the numbers of the unbroken stretches that they lie in now."""
    first = [start for start, _ in stretches(midi, shortest=frames.frames(SHORTEST_NOTE_S, least=3))]
    return [replace(span, region=int(np.searchsorted(first, span.start, side="right")) - 1) for span in held]
