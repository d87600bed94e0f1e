"""What the second judge sees of a candidate besides the first's features: the first's answers about it, and its decay.

Ringing is told by the note's own partials, those no other note's partial comes near: after the bow has left they only
fall, by 17 to 79 dB a second on real violins (quartiles).
"""

import numpy as np

from pipeline.compiled import compiled, compiled_within
from pipeline.signal.chords.candidates import CANDIDATES, EDGE, PARTIALS, Ints, near
from pipeline.signal.chords.grid import BINS, CONTEXT, F32, PER_SEMITONE, Levels, midi_of_bins
from pipeline.units import A4_HZ, hz_of_midi

# Semitones to both sides where answers are looked at: intervals that share partials (common practice, no source).
STEPS = (1, 2, 3, 4, 5, 7, 9, 12, 16, 19, 24)
SHORT, LONG = 2, 5
"""Frames to each side over which the first judge's answers are averaged."""
SLOPE, MEMORY = 5, 15
"""Frames (120 and 350 ms) over which own partials are seen to fall, and beside whose highest level they are held."""
OWN_PARTIALS = 8  # lowest partials of a note (common practice, no source)
LIKELY = 0.3
"""Answer of the first judge from which on a candidate's partials are held to be there."""
APART_HZ = 32.0  # nearer partials of two notes are not told apart (common practice, no source)
SAME_BINS = 2  # bins within which two candidates are one note: 40 cents (common practice, no source)

NAMES = (
    "answer",
    "answer_near",
    "answer_about",
    "answer_before",
    "answer_after",
    *(f"answer_at_{step}" for step in (*(-s for s in STEPS), *STEPS)),
    "answers_in_frame",
    "likely_in_frame",
    "own_partials",
    "own_level",
    "own_rise_before",
    "own_rise_after",
    "own_below_before",
    "own_below_after",
    "own_above_before",
)
_STEPS = np.array((*(-s for s in STEPS), *STEPS), dtype=np.int64) * PER_SEMITONE
_HZ = hz_of_midi(midi_of_bins(np.arange(BINS)), reference_pitch_hz=A4_HZ)


def describe_beside(levels: Levels, bins: Ints, answers: F32, frame: Ints, which: Ints) -> F32:
    """Features (n, len(NAMES)) of the candidates ``which`` of the rows ``frame`` of ``bins``.

    ``answers`` (as ``bins``): the first judge's probabilities that a candidate sounds; rows at the edges of ``bins``
    are looked at, not described.
    """
    out = np.zeros((frame.size, len(NAMES)), dtype=np.float32)
    spread = np.zeros((len(bins), BINS), dtype=np.float32)
    _spread(bins, answers, spread)
    _beside(
        near(levels.raw),
        bins,
        answers,
        spread,
        frame,
        which,
        _STEPS,
        PARTIALS,
        _HZ,
        CONTEXT - EDGE,
        levels.raw.max(axis=1),
        out,
    )
    return out


@compiled()
def _spread(bins, answers, out):  # type: ignore[no-untyped-def]
    for t in range(bins.shape[0]):
        for k in range(bins.shape[1]):
            b = bins[t, k]
            if b < 0:
                break
            for i in range(max(b - SAME_BINS, 0), min(b + SAME_BINS + 1, out.shape[1])):
                out[t, i] = max(out[t, i], answers[t, k])


@compiled_within()
def _own(row_bins, row_answers, b, hz, own):  # type: ignore[no-untyped-def]
    """Which of the lowest partials of ``b`` no other likely candidate's partial comes near; their number."""
    count = 0
    for h in range(OWN_PARTIALS):
        own[h] = (h + 1) * hz[b] < 5000.0
        for k in range(row_bins.shape[0]):
            c = row_bins[k]
            if c < 0:
                break
            if row_answers[k] < LIKELY or abs(c - b) <= SAME_BINS:
                continue
            nearest = round((h + 1) * hz[b] / hz[c])
            if nearest >= 1 and abs(nearest * hz[c] - (h + 1) * hz[b]) < APART_HZ:
                own[h] = False
                break
        count += own[h]
    return count


@compiled_within()
def _level(peaks, t, places, inside, count):  # type: ignore[no-untyped-def]
    """Mean level of ``count`` partials in row ``t``: those ``inside`` the grid at the first of ``places``, others 0."""
    total = np.float32(0.0)
    for k in range(inside):
        total += peaks[np.uint64(t), np.uint64(places[k])]
    return total / count


@compiled()
def _beside(peaks, bins, answers, spread, frame, which, steps, partials, hz, lead, loud, out):  # type: ignore[no-untyped-def]
    own, places = np.zeros(OWN_PARTIALS, dtype=np.bool_), np.empty(OWN_PARTIALS, dtype=np.int64)
    for i in range(frame.shape[0]):
        r = frame[i]
        t = r + lead
        b = bins[r, which[i]]
        before, after, close = np.float32(0.0), np.float32(0.0), np.float32(0.0)
        for d in range(1, LONG + 1):
            past, coming = spread[r - d, b], spread[r + d, b]
            before += past
            after += coming
            if d <= SHORT:
                close += past + coming
        here = answers[r, which[i]]
        out[i, 0] = here
        out[i, 1] = (close + here) / (2 * SHORT + 1)
        out[i, 2] = (before + after + here) / (2 * LONG + 1)
        out[i, 3] = before / LONG
        out[i, 4] = after / LONG
        f = 5
        for k in range(steps.shape[0]):
            at = b + steps[k]
            out[i, f] = spread[r, at] if 0 <= at < spread.shape[1] else 0.0
            f += 1
        for k in range(CANDIDATES):
            if bins[r, k] < 0:
                break
            out[i, f] += answers[r, k]
            out[i, f + 1] += answers[r, k] > LIKELY
        f += 2
        count = _own(bins[r], answers[r], b, hz, own)
        out[i, f] = count
        if count == 0:
            for k in range(f + 1, f + 7):
                out[i, k] = np.nan
            continue
        inside = np.int64(0)
        for h in range(OWN_PARTIALS):
            if own[h] and b + partials[h] + 1 < peaks.shape[1]:
                places[inside] = b + partials[h]
                inside += 1
        now = _level(peaks, t, places, inside, count)
        most_before = most_after = now
        least_before = now
        for d in range(1, MEMORY + 1):
            past = _level(peaks, t - d, places, inside, count)
            coming = _level(peaks, t + d, places, inside, count)
            most_before = max(most_before, past)
            least_before = min(least_before, past)
            most_after = max(most_after, coming)
            if d == SLOPE:
                out[i, f + 2] = now - past
                out[i, f + 3] = coming - now
        out[i, f + 1] = now - loud[t]
        out[i, f + 4] = most_before - now
        out[i, f + 5] = most_after - now
        out[i, f + 6] = now - least_before
