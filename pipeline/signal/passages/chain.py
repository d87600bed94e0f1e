"""The compiled chain: probability of all paths, the best path, and the probability of each place.

States: event i struck (number i), extra beside event i (events + i), outside the part (2 events).
"""

import math
from typing import NamedTuple

import numba
import numpy as np

from pipeline.signal.passages.part import Graph, Ints
from pipeline.signal.passages.weights import NEIGHBOURS_WIDTH, RANGE, UNTIMED, Emission
from pipeline.units import Floats

AGAIN = 0.12
"""The same event once more: a note cut in two, or the second note of a chord."""
EXTRA, EXTRA_ON = 0.04, 0.25
"""A note beside the written ones, after a written one and after another such."""
JUMP = 1e-3
"""To anywhere in the part, where the paper does not say so."""
# The part for music that is not in it, and on from note to note there (common practice, no source).
LEAVE, STAY_OUT = 1e-3, 0.98
BEGINS_AT_FIRST, BEGINS_OUTSIDE = 0.5, 0.2
"""Where takes begin: with the first event, outside the part, or else anywhere (common practice, no source)."""
ON = 1.0 - AGAIN - EXTRA - JUMP - LEAVE  # what is left
ON_FROM_EXTRA = 1.0 - AGAIN - EXTRA_ON - JUMP - LEAVE  # what is left
ANY_PITCH = 0.5 / RANGE
"""Half of the extra notes lie anywhere, half near the event or the next."""
NEAR_PITCH = 0.5 / NEIGHBOURS_WIDTH  # density per semitone


class Sure(NamedTuple):
    """Of each note the probability of its state on the path, and the likeliest event other than the path's.

    ``log_likelihood`` is the logarithm of the probability of all notes, over all paths.
    """

    log_likelihood: float
    probability: Floats
    event: Ints
    event_probability: Floats


@numba.njit(cache=True)
def _weights(emission, j, struck, extra):  # type: ignore[no-untyped-def]
    size = emission.chord.shape[0]
    for i in range(size):
        one = emission.chord[i]
        other = emission.chord[min(i + 1, size - 1)]
        struck[i] = emission.struck[j, one]
        extra[i] = ANY_PITCH + NEAR_PITCH * max(emission.near[j, one], emission.near[j, other])


@numba.njit(cache=True)
def _begin(emission: Emission, arrival, now, struck, extra):  # type: ignore[no-untyped-def]
    size = arrival.shape[0]
    _weights(emission, 0, struck, extra)
    elsewhere = 1.0 - BEGINS_AT_FIRST - BEGINS_OUTSIDE
    for i in range(size):
        come = elsewhere * arrival[i] + (BEGINS_AT_FIRST if i == 0 else 0.0)
        now[i] = (1.0 - EXTRA) * come * struck[i]
        now[size + i] = EXTRA * come * extra[i]
    now[2 * size] = BEGINS_OUTSIDE * emission.outside[0]


@numba.njit(cache=True)
def _scaled(now):  # type: ignore[no-untyped-def]
    total = 0.0
    for s in range(now.shape[0]):
        total += now[s]
    for s in range(now.shape[0]):
        now[s] /= total
    return total


@numba.njit(cache=True)
def _forward(graph: Graph, emission: Emission, arrival, times, kept, logs):  # type: ignore[no-untyped-def]
    """``kept`` (notes or 2, states): all notes' probabilities, or only the last two in turn; ``logs`` (notes,)."""
    size = arrival.shape[0]
    rows = kept.shape[0]
    struck, extra = np.empty(size), np.empty(size)
    _begin(emission, arrival, kept[0], struck, extra)
    logs[0] = math.log(_scaled(kept[0]))
    for j in range(1, logs.shape[0]):
        before, now = kept[(j - 1) % rows], kept[j % rows]
        _weights(emission, j, struck, extra)
        out = before[2 * size]
        jump = UNTIMED * (JUMP * (1.0 - out) + (1.0 - STAY_OUT) * out)
        for i in range(size):
            come = jump * arrival[i] + UNTIMED * AGAIN * (before[i] + before[size + i])
            for e in range(graph.first[i], graph.first[i + 1]):
                source = graph.source[e]
                come += graph.chance[e] * (
                    ON * before[source] * times[j, graph.apart[e]] + ON_FROM_EXTRA * before[size + source] * UNTIMED
                )
            now[i] = come * struck[i]
            now[size + i] = UNTIMED * (EXTRA * before[i] + EXTRA_ON * before[size + i]) * extra[i]
        now[2 * size] = UNTIMED * (LEAVE * (1.0 - out) + STAY_OUT * out) * emission.outside[j]
        logs[j] = math.log(_scaled(now))


def log_likelihood(graph: Graph, emission: Emission, arrival: Floats, times: Floats) -> float:
    """Logarithm of the probability of all found notes, over all paths."""
    logs = np.empty(times.shape[0])
    _forward(graph, emission, arrival, times, np.empty((2, 2 * arrival.size + 1)), logs)
    return float(logs.sum())


def outside_only(emission: Emission) -> float:
    """The same of the one path that never touches the part."""
    on = (emission.outside.size - 1) * math.log(UNTIMED * STAY_OUT)
    return math.log(BEGINS_OUTSIDE) + float(np.log(emission.outside).sum()) + on


@numba.njit(cache=True)
def _backward(graph: Graph, emission: Emission, arrival, times, kept, logs, path, second, second_p, own):  # type: ignore[no-untyped-def]
    """Goes back over ``kept``, and notes of each found note how likely its state on the path and the next event are."""
    size = arrival.shape[0]
    struck, extra = np.empty(size), np.empty(size)
    after, now = np.ones(2 * size + 1), np.empty(2 * size + 1)
    for j in range(logs.shape[0] - 1, -1, -1):
        held = path[j] if path[j] < size else (path[j] - size if path[j] < 2 * size else -1)
        own[j] = min(kept[j, path[j]] * after[path[j]], 1.0)
        second[j], second_p[j] = -1, 0.0
        for i in range(size):
            here = kept[j, i] * after[i]
            if i != held and here > second_p[j]:
                second[j], second_p[j] = i, min(here, 1.0)
        if j == 0:
            break
        _weights(emission, j, struck, extra)
        scale = math.exp(-logs[j])
        arrive = 0.0
        for i in range(size):
            struck[i] *= after[i] * scale
            extra[i] *= after[size + i] * scale
            arrive += arrival[i] * struck[i]
        outside = emission.outside[j] * after[2 * size] * scale
        anywhere = UNTIMED * (JUMP * arrive + LEAVE * outside)
        for i in range(size):
            again = UNTIMED * AGAIN * struck[i] + anywhere
            now[i] = again + UNTIMED * EXTRA * extra[i]
            now[size + i] = again + UNTIMED * EXTRA_ON * extra[i]
        for i in range(size):
            for e in range(graph.first[i], graph.first[i + 1]):
                source = graph.source[e]
                now[source] += graph.chance[e] * ON * times[j, graph.apart[e]] * struck[i]
                now[size + source] += graph.chance[e] * ON_FROM_EXTRA * UNTIMED * struck[i]
        now[2 * size] = UNTIMED * ((1.0 - STAY_OUT) * arrive + STAY_OUT * outside)
        after[:] = now


def probabilities(graph: Graph, emission: Emission, arrival: Floats, times: Floats, path: Ints) -> Sure:
    """How likely each found note stands where the path puts it, over all paths."""
    notes = times.shape[0]
    kept, logs = np.empty((notes, 2 * arrival.size + 1)), np.empty(notes)
    _forward(graph, emission, arrival, times, kept, logs)
    own, second_p, second = np.empty(notes), np.empty(notes), np.empty(notes, np.int64)
    _backward(graph, emission, arrival, times, kept, logs, path, second, second_p, own)
    return Sure(float(logs.sum()), own, second, second_p)


@numba.njit(cache=True)
def _best_path(graph: Graph, emission: Emission, arrival, times, back, path):  # type: ignore[no-untyped-def]
    size = arrival.shape[0]
    struck, extra = np.empty(size), np.empty(size)
    before, now = np.empty(2 * size + 1), np.empty(2 * size + 1)
    _begin(emission, arrival, before, struck, extra)
    _scaled(before)
    for j in range(1, path.shape[0]):
        _weights(emission, j, struck, extra)
        out = before[2 * size]
        likeliest = 0
        for s in range(2 * size):
            if before[s] > before[likeliest]:
                likeliest = s
        leave, come_back = JUMP * before[likeliest], (1.0 - STAY_OUT) * out
        jump, jumper = (leave, likeliest) if leave >= come_back else (come_back, 2 * size)
        for i in range(size):
            best, source = UNTIMED * jump * arrival[i], jumper
            for s in (i, size + i):
                if UNTIMED * AGAIN * before[s] > best:
                    best, source = UNTIMED * AGAIN * before[s], s
            for e in range(graph.first[i], graph.first[i + 1]):
                a = graph.source[e]
                value = graph.chance[e] * ON * before[a] * times[j, graph.apart[e]]
                if value > best:
                    best, source = value, a
                value = graph.chance[e] * ON_FROM_EXTRA * before[size + a] * UNTIMED
                if value > best:
                    best, source = value, size + a
            now[i] = best * struck[i]
            back[j, i] = source
            one, other = EXTRA * before[i], EXTRA_ON * before[size + i]
            now[size + i] = UNTIMED * max(one, other) * extra[i]
            back[j, size + i] = i if one >= other else size + i
        one, other = LEAVE * before[likeliest], STAY_OUT * out
        now[2 * size] = UNTIMED * max(one, other) * emission.outside[j]
        back[j, 2 * size] = likeliest if one >= other else 2 * size
        _scaled(now)
        before[:] = now
    last = path.shape[0] - 1
    path[last] = np.argmax(before)
    for j in range(last, 0, -1):
        path[j - 1] = back[j, path[j]]


def best_path(graph: Graph, emission: Emission, arrival: Floats, times: Floats) -> Ints:
    """The likeliest state of each found note, all of them together (Viterbi)."""
    notes = times.shape[0]
    path = np.empty(notes, np.int64)
    _best_path(graph, emission, arrival, times, np.empty((notes, 2 * arrival.size + 1), np.int32), path)
    return path
