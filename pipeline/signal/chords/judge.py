"""Judges candidates by learned trees: which sound, and which of those are bowed and which only ring.

Each candidate is judged by itself, not against the others of its frame. The trees were grown by
``python -m pipeline.training`` on rendered mixes; ``chord_trees.json`` beside them says from what, and how they did on
mixes not learned from.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit, softmax

from pipeline.compiled import compiled
from pipeline.learned_from import check_names
from pipeline.signal.chords import beside, candidates
from pipeline.signal.chords.beside import SAME_BINS
from pipeline.signal.chords.candidates import CANDIDATES, EDGE, Ints
from pipeline.signal.chords.grid import F32, HOP_S, Levels, blocks, frame_count
from pipeline.signal.slides.trees import Forest, load_forest
from pipeline.units import Floats

WEIGHTS = Path(__file__).with_name("chord_trees.npz")
WINDOWS = {"short": 1024, "long": 2048}
"""Samples: 93 and 186 ms. Of a viola's notes under G3 the short one loses a quarter on a noisy old disc, the long one a
tenth."""
STATES = ("none", "ringing", "bowed")
FIRST_NAMES = candidates.NAMES
SECOND_NAMES = (*candidates.NAMES, *beside.NAMES)
LEAST_ANSWER = 0.03
"""Answer of the first judge below which the second is not asked: of what it would find bowed at .3 and more, 9 in 3,284
are lost on a side with a loud piano and 2 in 1,568 on solo recordings; a third of the questions need not be asked."""
KEPT = 8
"""Candidates kept in each frame, the likeliest to be bowed or to ring."""
SMOOTHED = 1
"""Frames to each side over which answers are averaged."""


@dataclass(frozen=True)
class Judges:
    """The two forests of a window, and slope and offset that calibrate an instrument's log odds of "bowed"."""

    first: Forest
    second: Forest
    line: tuple[float, float]


@dataclass(frozen=True)
class Sounding:
    """What sounds in each frame.

    ``bins`` (frames, KEPT) places on the grid, -1 where there are no more; ``bowed`` and ``ringing`` (as ``bins``)
    their probabilities. Frames come every ``HOP_S``, the first at time 0.
    """

    bins: Ints
    bowed: F32
    ringing: F32

    @property
    def time_s(self) -> Floats:
        """Times (frames,) of the frames."""
        return np.asarray(np.arange(len(self.bins)) * HOP_S, dtype=np.float64)


def kind_of_window(instrument: str) -> str:
    """Which of the ``WINDOWS``, each with its pair of forests, judges an instrument."""
    return "short" if instrument == "violin" else "long"


@cache
def judges(instrument: str, path: Path = WEIGHTS) -> Judges:
    """The judges of an instrument."""
    kind = kind_of_window(instrument)
    with np.load(path) as held:
        for part, names in (("first", FIRST_NAMES), ("second", SECOND_NAMES)):
            check_names(path, f"the {part} judge of chords", held[f"{part}_names"], names)
        slope, offset = (float(x) for x in held[f"{instrument}_line"])
    return Judges(load_forest(path, f"{kind}_first"), load_forest(path, f"{kind}_second"), (slope, offset))


def forget_weights() -> None:
    """Read the weights anew when next asked: for training, which replaces them."""
    judges.cache_clear()


def which_sound(sound: F32, *, instrument: str, judged_as: str | None = None) -> Sounding:
    """Judge every frame of a sound at ``grid.RATE_HZ``, by the judges of its instrument unless another is named."""
    total = frame_count(sound)
    bins = np.full((total, KEPT), -1, dtype=np.int32)
    bowed, ringing = np.zeros(bins.shape, dtype=np.float32), np.zeros(bins.shape, dtype=np.float32)
    judging = judged_as or instrument
    used = judges(judging)
    for levels in blocks(sound, window=WINDOWS[kind_of_window(judging)]):
        span = slice(levels.first, levels.first + levels.count)
        found, state = _states(levels, used, instrument)
        _keep(found, state, bins[span], bowed[span], ringing[span])
    return Sounding(bins, _calibrated(_averaged(bins, bowed), used.line), _averaged(bins, ringing))


@dataclass(frozen=True)
class First:
    """What the first judge saw and said of a block with its edges.

    ``bins`` (frames, CANDIDATES) places on the grid, -1 where there are no more; ``answers`` (as ``bins``) the
    probabilities that they sound; ``seen`` (candidates, features) in the order of ``np.nonzero(bins >= 0)``.
    """

    bins: Ints
    answers: F32
    seen: F32

    def second_rows(self, levels: Levels, wanted: npt.NDArray[np.bool_]) -> F32:
        """What the second judge sees of the candidates ``wanted`` (as ``bins``), in the order of ``np.nonzero``."""
        frame, which = (found.astype(np.int32) for found in np.nonzero(wanted))
        around = beside.describe_beside(levels, self.bins, self.answers, frame, which)
        return np.concatenate([self.seen[wanted[self.bins >= 0]], around], axis=1)


def first_answers(levels: Levels, forest: Forest, *, instrument: str) -> First:
    """Candidates of a block with its edges, and the first judge's probabilities that they sound."""
    saliences = candidates.salience(levels.white)
    bins = candidates.choose(saliences, instrument=instrument)
    frame, which = (found.astype(np.int32) for found in np.nonzero(bins >= 0))
    answers = np.zeros(bins.shape, dtype=np.float32)
    seen = candidates.describe(levels, saliences, bins, frame, which)
    answers[frame, which] = expit(forest.scores(seen)[:, 0])
    return First(bins, answers, seen)


def _states(levels: Levels, used: Judges, instrument: str) -> tuple[Ints, F32]:
    """Candidates (count, CANDIDATES) and probabilities (count, CANDIDATES, 3) of their states."""
    first = first_answers(levels, used.first, instrument=instrument)
    asked = first.answers >= LEAST_ANSWER
    asked[:EDGE] = asked[len(asked) - EDGE :] = False
    state = np.zeros((*asked.shape, len(STATES)), dtype=np.float32)
    state[..., 0] = 1.0
    if asked.any():
        state[asked] = softmax(used.second.scores(first.second_rows(levels, asked)), axis=1)
    inner = slice(EDGE, len(asked) - EDGE)
    return first.bins[inner], state[inner]


@compiled()
def _keep(found, state, bins, bowed, ringing):  # type: ignore[no-untyped-def]
    """The likeliest ``KEPT`` candidates of each frame to sound, in order of pitch as they come."""
    for t in range(found.shape[0]):
        count = 0
        for k in range(CANDIDATES):
            sounds = state[t, k, 1] + state[t, k, 2]
            if found[t, k] < 0 or sounds < 0.05:
                continue
            at = min(count, KEPT)
            while at > 0 and bowed[t, at - 1] + ringing[t, at - 1] < sounds:
                at -= 1
            if at >= KEPT:
                continue
            for j in range(min(count, KEPT - 1), at, -1):
                bins[t, j], bowed[t, j], ringing[t, j] = bins[t, j - 1], bowed[t, j - 1], ringing[t, j - 1]
            bins[t, at], bowed[t, at], ringing[t, at] = found[t, k], state[t, k, 2], state[t, k, 1]
            count = min(count + 1, KEPT)


def _averaged(bins: Ints, probability: F32) -> F32:
    out = np.zeros_like(probability)
    _average(bins, probability, out)
    return out


@compiled()
def _average(bins, probability, out):  # type: ignore[no-untyped-def]
    n = bins.shape[0]
    for t in range(n):
        for k in range(KEPT):
            if bins[t, k] < 0:
                break
            for s in range(max(t - SMOOTHED, 0), min(t + SMOOTHED + 1, n)):
                best = np.float32(0.0)
                for j in range(KEPT):
                    if bins[s, j] >= 0 and abs(bins[s, j] - bins[t, k]) <= SAME_BINS:
                        best = max(best, probability[s, j])
                out[t, k] += best / (2 * SMOOTHED + 1)


def _calibrated(probability: F32, line: tuple[float, float]) -> F32:
    share = np.clip(probability, 1e-4, 1.0 - 1e-4)
    return np.asarray(expit(line[0] * logit(share) + line[1]), dtype=np.float32)
