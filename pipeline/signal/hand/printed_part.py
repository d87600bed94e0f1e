"""Lays the notes of a written part beside the notes found, by pitch and order.

Dynamic time warping (``librosa.sequence.dtw``) over notes: a step along both costs twice the distance in pitch, a
step along one only (a written note left out, or an ornament or a false note found) the distance once and a little
more; distances are capped, so that leaving a note out is cheaper than pairing it wrongly. Then each written note
keeps the one found note that lies closest in pitch, if it is close enough, and no found note serves twice.
"""

from typing import NamedTuple

import numpy as np

from pipeline.units import Floats

SAME_PITCH_SEMITONES = 0.7
LARGEST_COST_SEMITONES = 1.5
SKIP_COST_SEMITONES = 0.2


class Alignment(NamedTuple):
    """For each written note the index of the note found for it, or -1; and what the whole path costs."""

    match: np.ndarray
    cost: float


def align(
    *, written_midi: Floats, found_midi: Floats, written_beats: Floats | None = None, found_s: Floats | None = None
) -> Alignment:
    """Lay written notes beside those found.

    Parameters
    ----------
    written_midi : (m,) written pitches in order.
    found_midi : (n,) found pitches in order.
    written_beats, found_s : (m,), (n,) where they begin, in any unit; both or none. They add a small cost for
        being elsewhere in the piece, so that a repeated figure is not taken for its repetition; not in an excerpt.
    """
    import librosa  # slow to import, and only needed where there is a printed part

    m, n = written_midi.size, found_midi.size
    match = np.full(m, -1, dtype=np.int64)
    if m == 0 or n == 0:
        return Alignment(match, (m + n) * (LARGEST_COST_SEMITONES + SKIP_COST_SEMITONES))
    distance = np.abs(written_midi[:, None] - found_midi[None, :])
    cost = np.minimum(distance, LARGEST_COST_SEMITONES)
    excerpt = 2 * m < n
    if written_beats is not None and found_s is not None and not excerpt:
        cost = cost + 0.5 * np.abs(_share(written_beats)[:, None] - _share(found_s)[None, :])
    steps = np.array([[1, 1], [0, 1], [1, 0]])
    skip = np.array([0.0, SKIP_COST_SEMITONES, SKIP_COST_SEMITONES])
    total, path = librosa.sequence.dtw(
        C=cost, step_sizes_sigma=steps, weights_add=skip, weights_mul=np.array([2.0, 1.0, 1.0]), subseq=excerpt
    )
    best = np.full(n, np.inf)
    holder = np.full(n, -1, dtype=np.int64)
    for i, j in path[::-1]:
        near = distance[i, j]
        if near > SAME_PITCH_SEMITONES or (match[i] >= 0 and distance[i, match[i]] <= near):
            continue
        if near < best[j]:
            if holder[j] >= 0:
                match[holder[j]] = -1
            if match[i] >= 0:
                holder[match[i]], best[match[i]] = -1, np.inf
            match[i], holder[j], best[j] = j, i, near
    return Alignment(match, float(total[-1].min() if excerpt else total[-1, -1]))


def _share(at: Floats) -> Floats:
    span = float(at[-1] - at[0])
    return (at - at[0]) / span if span > 0 else np.zeros_like(at)
