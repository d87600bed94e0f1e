"""How a followed line moves: whether it rests on pitches, as music does, and how its notes begin.

The line is cut into *runs*, stretches near one pitch. A bowed line, however fast, spends nearly all its time in runs
of a fifteenth of a second and more, level within a vibrato; speech glides through most of its time, and steeply. Bowed
notes come in and swell; struck and plucked ones are loudest as they begin, and only fade.
"""

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within, median_of_known
from pipeline.units import A4_HZ, Floats, cents_of_ratio

# A line is known where it is at least this likely to be right.
LEAST_CONFIDENCE = 0.3
# A run ends where the line leaves the median of its last frames (145 ms: most of a vibrato's period) by more than this.
REACH_CENTS, MEMORY = 40.0, 25
# What counts as resting on a pitch; and from which length on the beginning and the slope of a run mean anything.
RESTING_S, TOLD_S = 0.056, 0.12
# A run is loudest as it begins if its highest level comes this early and lies this far over its second half.
EARLY_S, FALL_DB = 0.05, 1.0
# Steeper is no more telling: a run of 120 ms cannot leave its median by more than some 700 cents a second.
STEEPEST = 400.0
# Seconds around a moment that speak for it, and runs (of unknown kind) that are added so that one run decides nothing.
WINDOW_S, ADDED_RUNS = 8.0, 2.0
USUAL_EARLY, USUAL_SLOPE = 0.15, 60.0
# Runs whose pitch counts, by their length, long ones as much as one of 0.3 s; half a second of usual ones is added.
PITCHED_S, LONGEST_WEIGHT_S, ADDED_S, USUAL_IN_TUNE = 0.08, 0.3, 0.5, 0.6


class Line(Protocol):
    """What is read of a melody line: (n,) arrays on an even grid of transfer time."""

    @property
    def time_s(self) -> Floats: ...
    @property
    def f0_hz(self) -> Floats: ...
    @property
    def confidence(self) -> Floats: ...
    @property
    def level_db(self) -> Floats: ...


@dataclass(frozen=True)
class Texture:
    """How the line is around each of its frames (8 s); each (n,).

    Attributes
    ----------
    resting : share of the known line that rests on a pitch; 1 where nothing is known.
    slope : mean slope within runs of 120 ms and more, cents per second, without its sign.
    early : share of such runs that are loudest in their first 50 ms.
    in_tune : how closely the runs of 80 ms and more keep to one scale of semitones, wherever it lies: the mean
        resultant length of their pitches round the semitone (Mardia and Jupp 2000, ch. 2), 1 all on it, 0 anywhere.
    """

    resting: Floats
    slope: Floats
    early: Floats
    in_tune: Floats


def texture(line: Line) -> Texture:
    """The texture of a line of n frames; of an empty line, empty."""
    n = line.time_s.size
    hop_s = float(line.time_s[1] - line.time_s[0]) if n > 1 else 1.0
    known = np.isfinite(line.f0_hz) & (line.confidence > LEAST_CONFIDENCE)
    cents = np.where(known, cents_of_ratio(np.where(known, line.f0_hz, A4_HZ) / A4_HZ), np.nan)
    start, end = _runs(cents, REACH_CENTS, MEMORY)
    length_s = (end - start) * hop_s
    rests = length_s >= RESTING_S - 0.5 * hop_s
    resting = np.zeros(n + 1)
    np.add.at(resting, start[rests], 1.0)
    np.add.at(resting, end[rests], -1.0)
    told = length_s >= TOLD_S
    slope, early = _beginnings(cents, line.level_db, start[told], end[told], max(1, round(EARLY_S / hop_s)), FALL_DB)
    middle = (start[told] + end[told]) // 2
    half = max(1, round(0.5 * WINDOW_S / hop_s))
    seen = _around(known.astype(np.float64), half)
    runs = _around(np.bincount(middle, minlength=n), half)
    steep = np.minimum(slope / hop_s, STEEPEST)
    pitched = length_s >= PITCHED_S
    turn = np.exp(2j * np.pi / 100.0 * _middles(cents, start[pitched], end[pitched]))
    weight = np.minimum(length_s[pitched], LONGEST_WEIGHT_S)
    where = (start[pitched] + end[pitched]) // 2
    kept, x, y = (_around(np.bincount(where, weight * w, n), half) for w in (np.ones(turn.size), turn.real, turn.imag))
    return Texture(
        resting=np.where(seen > 0, _around(np.cumsum(resting)[:n], half) / np.maximum(seen, 1.0), 1.0),
        slope=(_around(np.bincount(middle, steep, n), half) + ADDED_RUNS * USUAL_SLOPE) / (runs + ADDED_RUNS),
        in_tune=(np.hypot(x, y) + ADDED_S * USUAL_IN_TUNE) / (kept + ADDED_S),
        early=(_around(np.bincount(middle, early, n), half) + ADDED_RUNS * USUAL_EARLY) / (runs + ADDED_RUNS),
    )


def _around(values: npt.NDArray[Any], half: int) -> Floats:
    """Sums over the frames within ``half`` of each."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    at = np.arange(values.size)
    return np.asarray(total[np.minimum(at + half + 1, values.size)] - total[np.maximum(at - half, 0)])


@compiled()
def _runs(cents: Floats, reach: float, memory: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    # first frames of the runs and those after their last
    start, end = np.empty(cents.size, np.int64), np.empty(cents.size, np.int64)
    near = np.empty(memory + 1)  # the last values of the run, in order of their size
    n, i = 0, 0
    while i < cents.size:
        if np.isnan(cents[i]):
            i += 1
            continue
        start[n] = i
        count = 0
        while i < cents.size and not np.isnan(cents[i]):
            if count and abs(cents[i] - 0.5 * (near[(count - 1) // 2] + near[count // 2])) > reach:
                break
            _insert(near, count, cents[i])
            count += 1
            if count > memory:
                _remove(near, count, cents[i - memory])
                count -= 1
            i += 1
        end[n] = i
        n += 1
    return start[:n], end[:n]


@compiled_within()
def _insert(rising: Floats, count: int, value: float) -> None:
    at = count
    while at > 0 and rising[at - 1] > value:
        rising[at] = rising[at - 1]
        at -= 1
    rising[at] = value


@compiled_within()
def _remove(rising: Floats, count: int, value: float) -> None:
    at = 0
    while rising[at] != value:
        at += 1
    for i in range(at, count - 1):
        rising[i] = rising[i + 1]


@compiled()
def _middles(cents: Floats, start: npt.NDArray[np.int64], end: npt.NDArray[np.int64]) -> Floats:
    middles = np.empty(start.size)
    for k in range(start.size):
        middles[k] = median_of_known(cents[start[k] : end[k]])
    return middles


@compiled()
def _beginnings(
    cents: Floats,
    level_db: Floats,
    start: npt.NDArray[np.int64],
    end: npt.NDArray[np.int64],
    soon: int,
    least_fall_db: float,
) -> tuple[Floats, Floats]:
    # slope without its sign in cents a frame, and whether the run is loudest within its first frames (1) or not (0)
    slope, early = np.zeros(start.size), np.zeros(start.size)
    for k in range(start.size):
        a, b = start[k], end[k]
        middle = 0.5 * (b - a - 1)
        over, under, loudest, at, late = 0.0, 0.0, -np.inf, 0, 0.0
        for i in range(a, b):
            x = i - a - middle
            over += x * cents[i]
            under += x * x
            if level_db[i] > loudest:
                loudest, at = level_db[i], i - a
            if x > 0.0:
                late += level_db[i]
        slope[k] = abs(over / under) if under > 0.0 else 0.0
        late /= max((b - a) // 2, 1)
        early[k] = 1.0 if at <= soon and loudest - late >= least_fall_db else 0.0
    return slope, early
