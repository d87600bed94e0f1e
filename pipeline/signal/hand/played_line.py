"""Notes and slides of one take as arrays, its passages, and what its vibrato says."""

from dataclasses import dataclass

import numpy as np

from pipeline.signal.hand.chain import OFF_PITCH, Ints, Slides
from pipeline.signal.hand.fingerboard import Fingerboard, stop_table
from pipeline.units import Floats

LONG_NOTE_S = 0.3
"""From here on a note is long enough to show a vibrato."""
VIBRATO_CENTS = 5.0  # from here on a measured swing counts as vibrato (common practice, no source)
CUT_S = 4.0
"""A silence of so many s cuts a passage: the hand may go anywhere (common practice, no source)."""

MOST_NOTES = 2000
"""Notes of a passage at most, more than any side holds: hours that never rest so long would not fit into memory."""


@dataclass(frozen=True)
class Line:
    """Notes and slides of one player in time order, as arrays.

    Attributes
    ----------
    midi : (n,) fractional MIDI of the notes.
    start_s, end_s : (n,) corrected time.
    vibrato_cents : (n,) NaN where none was found.
    slurred : (n,) probability that no new stroke begins the note; NaN where unknown.
    slide : (n,) index of the slide that leads into the note, -1 for none.
    slides : kinds, pitches and confidence of the slides.
    """

    midi: Floats
    start_s: Floats
    end_s: Floats
    vibrato_cents: Floats
    slurred: Floats
    slide: Ints
    slides: Slides


def passages(line: Line, *, board: Fingerboard, cut_s: float = CUT_S) -> list[tuple[int, int]]:
    """First and last + 1 note of each stretch without a rest beyond ``cut_s`` or a note off the instrument.

    What goes on for more than ``MOST_NOTES`` is cut all the same.
    """
    table = stop_table(board)
    pitches = np.unique(np.array(board.open_midi)[table.string] + table.sounding)
    after = np.searchsorted(pitches, line.midi)
    near = np.stack([pitches[np.maximum(after - 1, 0)], pitches[np.minimum(after, pitches.size - 1)]])
    stopped = np.abs(near - line.midi).min(axis=0) < OFF_PITCH
    found: list[tuple[int, int]] = []
    for i in np.flatnonzero(stopped).tolist():
        goes_on = found and found[-1][1] == i and line.start_s[i] - line.end_s[i - 1] <= cut_s
        if goes_on:
            found[-1] = (found[-1][0], i + 1)
        else:
            found.append((i, i + 1))
    return [part for span in found for part in _stretches(line, span)]


def _stretches(line: Line, span: tuple[int, int]) -> list[tuple[int, int]]:
    """The span in parts of ``MOST_NOTES`` at most, cut at the longest rests that no slide leads over."""
    first, last = span
    found = []
    while last - first > MOST_NOTES:
        late = np.arange(first + MOST_NOTES // 2, first + MOST_NOTES)
        rest_s = np.where(line.slide[late] < 0, line.start_s[late] - line.end_s[late - 1], -np.inf)
        cut = int(late[np.argmax(rest_s)])
        found.append((first, cut))
        first = cut
    return [*found, (first, last)]


def vibrato_seen(line: Line) -> Floats:
    """1 where a long note has vibrato, 0 where it has none, NaN where it is too short to tell."""
    long = line.end_s - line.start_s >= LONG_NOTE_S
    has = np.nan_to_num(line.vibrato_cents) >= VIBRATO_CENTS
    return np.where(long | has, has.astype(np.float64), np.nan)


def vibrato_share(line: Line, *, board: Fingerboard) -> float:
    """Share of long notes with vibrato among those that cannot be open strings, drawn towards a half."""
    opened = np.array(board.open_midi)
    near = np.min(np.abs(line.midi[:, None] - opened[None, :]), axis=1) if line.midi.size else np.zeros(0)
    # Notes of which it can be told (common practice, no source).
    seen = vibrato_seen(line)[near > 0.6]
    seen = seen[np.isfinite(seen)]
    return float((seen.sum() + 2.0) / (seen.size + 4.0))
