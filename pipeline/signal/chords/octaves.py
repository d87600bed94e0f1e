"""Octaves and twelfths above a note: without a partial of their own, they may sound and not be among the notes found.

The judges know them by the levels of the partials, their unrest and how they began, yet seldom surely enough for a
note. So what they say is kept as a probability of each note of a chord.
"""

from collections.abc import Sequence

import numpy as np

from pipeline.signal.chords.grid import PER_SEMITONE
from pipeline.signal.chords.judge import Sounding
from pipeline.signal.chords.spans import ABOVE, NEAR, Note

EDGE_FRAMES = 2  # at both ends, where the note before or after rings (common practice, no source)
POSSIBLE = 0.15
"""From here on an octave may sound unheard: said of 5 to 7 % of notes of chords with none, with one of 65 % on
violin and cello, 52 % on the viola (``benchmarks.chords``)."""


def octave_probability(note: Note, others: Sequence[Note], sounding: Sounding) -> float:
    """Probability that an octave or a twelfth above a note is bowed as well, besides the ``others`` of its chord.

    The mean over the note's frames of what the judges say of such a candidate, which is calibrated frame by frame; the
    greater of both intervals.
    """
    inside = np.arange(note.bins.size)
    inside = inside[EDGE_FRAMES:-EDGE_FRAMES] if inside.size > 3 * EDGE_FRAMES else inside
    known = np.flatnonzero(np.isfinite(note.bins))
    place = np.interp(inside, known, note.bins[known])
    bins, bowed = (values[note.first + inside] for values in (sounding.bins, sounding.bowed))
    found = [0.0]
    for step in ABOVE:
        if any(abs((other.pitch_bin - note.pitch_bin) / PER_SEMITONE - step) < NEAR for other in others):
            continue
        off = np.abs((bins - place[:, np.newaxis]) / PER_SEMITONE - step)
        found.append(float(np.where((bins >= 0) & (off < NEAR), bowed, 0.0).max(axis=1).mean()))
    return max(found)
