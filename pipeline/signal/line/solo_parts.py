"""Where on a side the solo is: spans of solo, of accompaniment alone, of no music, and where one cannot tell.

Evidence comes from the followed line, in slots of a quarter second: how probable it is that the solo sounds, how
sure its pitch is, whether anything sounds above the quiet of the side, whether the line ever rests on a pitch
(speech does not), and whether it stands still and fades again and again (struck strings do). Slots are joined by the
likeliest sequence of contents with a cost for each change, so a rest of a second or two belongs to the solo around
it and an interlude does not.

A voice or a second string instrument that takes over the tune looks like the solo here: passages in the catalogue
say where. What the probabilities are worth depends on the tracker's network; with the comb alone a piano sounds
like a solo.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
import numpy.typing as npt

from pipeline.signal.line.calibration import mean_of_neighbours
from pipeline.units import Floats

CONTENTS = ("solo", "accompaniment_only", "not_music", "speech", "cannot_tell")
SLOT_S = 0.25
# Slots are judged by a window of this length around them, and whether the solo plays by a wider one: under a piano
# alone single seconds may look like a solo, two and a half together do not.
WINDOW_S = 1.0
WIDE_S = 2.5
# The mean of voicing and confidence over the wider window at even odds, as a share of what four fifths of the side do
# not exceed (a solo under a loud piano is never as sure as one alone), but not below the lowest; and how sharply the
# odds change with it. Chosen on rendered sides with introductions and interludes.
EVEN = 0.6
USUAL = 0.8
LOWEST_EVEN = 0.4
SHARPNESS = 14.0
# A change of content must be worth this many nats: four rests of a second would not be, one interlude of two is.
CHANGE_COST = 12.0
# No slot says more than this for or against a content.
LEAST_SHARE = 0.04
# Something sounds when it is this far above the quietest twentieth of the side.
ABOVE_QUIET_DB = 6.0
# A struck string stands still within this many cents (standard deviation over 200 ms) and fades by this much.
STILL_CENTS = 4.0
FADING_DB_PER_S = 3.0
# A line that moves faster than this when vibrato is averaged out is on its way from one note to another.
RESTING_SEMITONES_PER_S = 4.0


class Line(Protocol):
    """What is read of a melody line: (n,) arrays on an even grid of transfer time."""

    @property
    def time_s(self) -> Floats: ...
    @property
    def f0_hz(self) -> Floats: ...
    @property
    def voiced_probability(self) -> Floats: ...
    @property
    def confidence(self) -> Floats: ...
    @property
    def level_db(self) -> Floats: ...
    @property
    def sound_db(self) -> Floats: ...


@dataclass(frozen=True)
class SoloSpan:
    """A span of transfer time with its content, one of ``CONTENTS``, and the mean probability of that content."""

    start_s: float
    end_s: float
    content: str
    confidence: float


def where_solo(line: Line, *, length_s: float) -> tuple[SoloSpan, ...]:
    """Spans that cover the side from 0 to ``length_s`` without gaps, in time order; none for an empty line.

    Parameters
    ----------
    line : as ``pipeline.signal.line.follow.follow`` gives it.
    length_s : length of the transfer, at least that of the line.
    """
    if line.time_s.size == 0 or not length_s > 0:
        return ()
    slots = max(1, int(np.ceil(length_s / SLOT_S)))
    shares = _shares(line, slots)
    path = _likeliest(np.log(np.maximum(shares, LEAST_SHARE)))
    edges = np.flatnonzero(np.diff(path)) + 1
    bounds = [0, *edges.tolist(), slots]
    return tuple(
        SoloSpan(
            start_s=a * SLOT_S,
            end_s=min(b * SLOT_S, length_s),
            content=CONTENTS[int(path[a])],
            confidence=float(shares[a:b, path[a]].mean()),
        )
        for a, b in pairwise(bounds)
    )


def _shares(line: Line, slots: int) -> npt.NDArray[np.float64]:
    """Probability of each content in each slot (slots, contents)."""
    hop_s = float(line.time_s[1] - line.time_s[0]) if line.time_s.size > 1 else SLOT_S
    half = max(1, round(0.5 * WINDOW_S / hop_s))
    voiced = mean_of_neighbours(line.voiced_probability, half=half)
    sure = np.minimum(mean_of_neighbours(line.confidence, half=half), voiced)
    loud_db = mean_of_neighbours(line.sound_db, half=half)
    quiet_db = float(np.quantile(loud_db, 0.05))
    loud = 1.0 / (1.0 + np.exp(-(loud_db - max(quiet_db, -90.0) - ABOVE_QUIET_DB) / 1.5))
    sweeping = _sweeping(line, hop_s)
    centres = np.minimum(((np.arange(slots) + 0.5) * SLOT_S / hop_s).astype(np.int64), line.time_s.size - 1)
    # What stands still and fades again and again is the piano, however sure the tracker is of it.
    plays = _plays(line, hop_s) * (1.0 - _struck(line, hop_s))
    sure = plays * sure / np.maximum(voiced, 1e-9)
    voiced = plays
    v, c, s, w = voiced[centres], sure[centres], loud[centres], sweeping[centres]
    # The line is followed but its pitch is unsure, or it is as likely there as not.
    doubt = np.maximum(v - c, 2.0 * np.minimum(v, 1.0 - v) * np.minimum(1.0, 2.0 * s))
    share = np.stack((c * (1.0 - w), (1.0 - v) * s, (1.0 - v) * (1.0 - s), v * w, doubt), axis=1)
    return np.asarray(share / np.maximum(share.sum(axis=1, keepdims=True), 1e-9))


def _plays(line: Line, hop_s: float) -> Floats:
    """Probability that the solo plays around each frame, its short rests included."""
    half = max(1, round(0.5 * WIDE_S / hop_s))
    voiced, sure = (mean_of_neighbours(x, half=half) for x in (line.voiced_probability, line.confidence))
    seen = 0.5 * (voiced + sure)
    even = max(EVEN * float(np.quantile(seen, USUAL)), LOWEST_EVEN)
    return np.asarray(1.0 / (1.0 + np.exp(-SHARPNESS * (seen - even))))


def _struck(line: Line, hop_s: float) -> Floats:
    """How much the line is like that of struck strings, 0 to 1, around each frame (8 s)."""
    known = np.isfinite(line.f0_hz) & np.isfinite(line.level_db) & (line.confidence > 0.3)
    if known.sum() < 2:
        return np.zeros(line.time_s.size)
    index = np.arange(line.time_s.size)
    half = max(1, round(0.1 / hop_s))
    cents = np.interp(index, index[known], 1200.0 * np.log2(line.f0_hz[known]))
    cents -= cents.mean()
    spread = mean_of_neighbours(cents**2, half=half) - mean_of_neighbours(cents, half=half) ** 2
    level = mean_of_neighbours(np.interp(index, index[known], line.level_db[known]), half=max(1, half // 3))
    later, before = np.minimum(index + half, index.size - 1), np.maximum(index - half, 0)
    slope = (level[later] - level[before]) / np.maximum((later - before) * hop_s, hop_s)
    held = known & (spread < 60.0**2)
    wide = max(1, round(4.0 / hop_s))
    share = np.maximum(mean_of_neighbours(held.astype(np.float64), half=wide), 1e-6)
    fading = mean_of_neighbours((held & (slope < -FADING_DB_PER_S)).astype(np.float64), half=wide) / share
    still = mean_of_neighbours((held & (spread < STILL_CENTS**2)).astype(np.float64), half=wide) / share
    return 1.0 / ((1.0 + np.exp(-(fading - 0.56) / 0.03)) * (1.0 + np.exp(-(still - 0.2) / 0.03)))


def _sweeping(line: Line, hop_s: float) -> Floats:
    """How little the line rests on pitches, 0 (music) to 1 (speech), around each frame (3 s)."""
    known = np.isfinite(line.f0_hz) & (line.confidence > 0.3)
    if known.sum() < 2:
        return np.zeros(line.time_s.size)
    index = np.arange(line.time_s.size)
    semitones = np.interp(index, index[known], 12.0 * np.log2(line.f0_hz[known]))
    smooth = mean_of_neighbours(semitones, half=max(1, round(0.09 / hop_s)))
    slope = np.abs(np.gradient(smooth, hop_s))
    resting = known & (slope < RESTING_SEMITONES_PER_S)
    half = max(1, round(1.5 / hop_s))
    share = mean_of_neighbours(resting.astype(np.float64), half=half)
    share = share / np.maximum(mean_of_neighbours(known.astype(np.float64), half=half), 1e-6)
    return 1.0 / (1.0 + np.exp((share - 0.35) / 0.05))


def _likeliest(scores: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """The best sequence of contents with ``CHANGE_COST`` for every change."""
    n, k = scores.shape
    back = np.zeros((n, k), dtype=np.int64)
    state = scores[0].copy()
    for t in range(1, n):
        best = int(np.argmax(state))
        moved = state[best] - CHANGE_COST
        back[t] = np.where(state >= moved, np.arange(k), best)
        state = np.maximum(state, moved) + scores[t]
    path = np.empty(n, dtype=np.int64)
    path[-1] = int(np.argmax(state))
    for t in range(n - 1, 0, -1):
        path[t - 1] = back[t, path[t]]
    return path
