"""The compiled chain: probability of all paths, the best path, and the probability of each place.

States, the layers of event i in turn: layer 0, the note strikes event i; layer a, event i was struck a notes ago, and
the note lies beside it (event i once more, or extra); the last layer, it was struck as long ago or longer. So the time
from one event to the next is known, whatever was found between them. After all events: outside the part.
"""

import math
from typing import NamedTuple

import numpy as np

from pipeline.compiled import compiled, compiled_within
from pipeline.signal.passages.part import Bools, Graph, Ints
from pipeline.signal.passages.rates import Rates
from pipeline.signal.passages.weights import NEIGHBOURS_WIDTH, RANGE, UNTIMED, Emission
from pipeline.units import Floats

JUMP = 1e-3
"""To anywhere in the part, where the paper does not say so."""
# The part for music that is not in it, and on from note to note there (common practice, no source).
LEAVE, STAY_OUT = 1e-3, 0.98
BEGINS_AT_FIRST, BEGINS_OUTSIDE = 0.5, 0.2
"""Where takes begin: with the first event, outside the part, or else anywhere (common practice, no source)."""
ANY_PITCH = 0.5 / RANGE
"""Half of the extra notes lie anywhere, half near the event or the next."""
NEAR_PITCH = 0.5 / NEIGHBOURS_WIDTH  # density per semitone


class Path(NamedTuple):
    """The likeliest state of each note; its event, -1 outside; whether it lies beside it, and is extra there."""

    state: Ints
    event: Ints
    is_beside: Bools
    is_extra: Bools


class Sure(NamedTuple):
    """Of each note the probability of its event and role on the path, and the likeliest event other than the path's.

    ``log_likelihood`` is the logarithm of the probability of all notes, over all paths.
    """

    log_likelihood: float
    probability: Floats
    event: Ints
    event_probability: Floats


@compiled_within()
def _weights(emission, rates, j, struck, again, extra):  # type: ignore[no-untyped-def]
    """Densities of note j: as each event struck, as the event once more, and as an extra note beside it."""
    size = struck.shape[0]
    for i in range(size):
        one = emission.chord[i]
        other = emission.chord[min(i + 1, size - 1)]
        struck[i] = emission.struck[j, one]
        again[i] = rates.again[i] * struck[i]
        extra[i] = ANY_PITCH + NEAR_PITCH * max(emission.near[j, one], emission.near[j, other])


@compiled_within()
def _on(rates, i, layer):  # type: ignore[no-untyped-def]
    """The probability that an event follows: what is left."""
    return 1.0 - rates.again[i] - (rates.extra if layer == 0 else rates.extra_on) - JUMP - LEAVE


@compiled_within()
def _beside(rates, i, layer, again, extra):  # type: ignore[no-untyped-def]
    """A note beside event i, after a note of that layer."""
    return UNTIMED * (again[i] + (rates.extra if layer == 0 else rates.extra_on) * extra[i])


@compiled_within()
def _begin(emission, rates, arrival, now, layers, struck, again, extra):  # type: ignore[no-untyped-def]
    size = arrival.shape[0]
    _weights(emission, rates, 0, struck, again, extra)
    elsewhere = 1.0 - BEGINS_AT_FIRST - BEGINS_OUTSIDE
    for s in range(now.shape[0]):
        now[s] = 0.0
    for i in range(size):
        come = elsewhere * arrival[i] + (BEGINS_AT_FIRST if i == 0 else 0.0)
        now[i * layers] = (1.0 - rates.extra) * come * struck[i]
        now[i * layers + layers - 1] = rates.extra * come * extra[i]
    now[size * layers] = BEGINS_OUTSIDE * emission.outside[0]


@compiled_within()
def _scaled(now):  # type: ignore[no-untyped-def]
    total = 0.0
    for s in range(now.shape[0]):
        total += now[s]
    for s in range(now.shape[0]):
        now[s] /= total
    return total


@compiled()
def _forward(graph, emission, rates, arrival, times, kept, logs):  # type: ignore[no-untyped-def]
    """``kept`` (notes or 2, states): all notes' probabilities, or only the last two in turn; ``logs`` (notes,)."""
    size, rows, layers = arrival.shape[0], kept.shape[0], times.shape[2]
    struck, again, extra = np.empty(size), np.empty(size), np.empty(size)
    going = np.empty((size, layers))
    _begin(emission, rates, arrival, kept[0], layers, struck, again, extra)
    logs[0] = math.log(_scaled(kept[0]))
    for j in range(1, logs.shape[0]):
        before, now = kept[(j - 1) % rows], kept[j % rows]
        _weights(emission, rates, j, struck, again, extra)
        out = before[size * layers]
        jump = UNTIMED * (JUMP * (1.0 - out) + (1.0 - STAY_OUT) * out)
        for i in range(size):
            for a in range(layers):
                going[i, a] = before[i * layers + a] * _on(rates, i, a)
                now[i * layers + a] = 0.0
            for a in range(layers):
                now[i * layers + min(a + 1, layers - 1)] += before[i * layers + a] * _beside(rates, i, a, again, extra)
        for i in range(size):
            come = jump * arrival[i]
            for e in range(graph.first[i], graph.first[i + 1]):
                on = 0.0
                for a in range(layers):
                    on += going[graph.source[e], a] * times[j, graph.apart[e], a]
                come += graph.chance[e] * on
            now[i * layers] = come * struck[i]
        now[size * layers] = UNTIMED * (LEAVE * (1.0 - out) + STAY_OUT * out) * emission.outside[j]
        logs[j] = math.log(_scaled(now))


def log_likelihood(graph: Graph, emission: Emission, rates: Rates, arrival: Floats, times: Floats) -> float:
    """Logarithm of the probability of all found notes, over all paths."""
    logs = np.empty(times.shape[0])
    _forward(graph, emission, rates, arrival, times, np.empty((2, times.shape[2] * arrival.size + 1)), logs)
    return float(logs.sum())


def outside_only(emission: Emission) -> float:
    """The same of the one path that never touches the part."""
    on = (emission.outside.size - 1) * math.log(UNTIMED * STAY_OUT)
    return math.log(BEGINS_OUTSIDE) + float(np.log(emission.outside).sum()) + on


@compiled_within()
def _extra_share(rates, i, layer, again, extra):  # type: ignore[no-untyped-def]
    """Of a note in a layer beside event i, how likely it is extra."""
    by_chance = (rates.extra if layer == 1 else rates.extra_on) * extra[i]
    return by_chance / (by_chance + again[i])


@compiled()
def _backward(graph, emission, rates, arrival, times, kept, logs, path, second, second_p, own):  # type: ignore[no-untyped-def]
    """Goes back over ``kept``, and notes of each found note how likely its place on the path and the next event are."""
    size, layers = arrival.shape[0], times.shape[2]
    outside = size * layers
    struck, again, extra = np.empty(size), np.empty(size), np.empty(size)
    after, now = np.ones(outside + 1), np.empty(outside + 1)
    for j in range(logs.shape[0] - 1, -1, -1):
        _weights(emission, rates, j, struck, again, extra)
        held = path.event[j]
        own[j] = kept[j, outside] * after[outside] if held < 0 else 0.0
        second[j], second_p[j] = -1, 0.0
        for i in range(size):
            here = kept[j, i * layers] * after[i * layers]
            beside = 0.0
            for a in range(1, layers):
                at = kept[j, i * layers + a] * after[i * layers + a]
                by_chance = at if j == 0 else at * _extra_share(rates, i, a, again, extra)
                beside += by_chance
                here += at - by_chance
            if i == held:
                own[j] = beside if path.is_extra[j] else here
            elif here > second_p[j]:
                second[j], second_p[j] = i, min(here, 1.0)
        own[j] = min(own[j], 1.0)
        if j == 0:
            break
        scale = math.exp(-logs[j])
        arrive = 0.0
        for i in range(size):
            struck[i] *= after[i * layers] * scale
            arrive += arrival[i] * struck[i]
        out = emission.outside[j] * after[outside] * scale
        for i in range(size):
            again[i] = rates.again[i] * emission.struck[j, emission.chord[i]]
            for a in range(layers):
                stay = _beside(rates, i, a, again, extra) * after[i * layers + min(a + 1, layers - 1)] * scale
                now[i * layers + a] = stay + UNTIMED * (JUMP * arrive + LEAVE * out)
        for i in range(size):
            for e in range(graph.first[i], graph.first[i + 1]):
                source = graph.source[e]
                for a in range(layers):
                    on = graph.chance[e] * _on(rates, source, a) * times[j, graph.apart[e], a]
                    now[source * layers + a] += on * struck[i]
        now[outside] = UNTIMED * ((1.0 - STAY_OUT) * arrive + STAY_OUT * out)
        after, now = now, after


def probabilities(graph: Graph, emission: Emission, rates: Rates, arrival: Floats, times: Floats, path: Path) -> Sure:
    """How likely each found note stands where the path puts it, over all paths."""
    notes = times.shape[0]
    kept, logs = np.empty((notes, times.shape[2] * arrival.size + 1)), np.empty(notes)
    _forward(graph, emission, rates, arrival, times, kept, logs)
    own, second_p, second = np.empty(notes), np.empty(notes), np.empty(notes, np.int64)
    _backward(graph, emission, rates, arrival, times, kept, logs, path, second, second_p, own)
    return Sure(float(logs.sum()), own, second, second_p)


@compiled_within()
def _likeliest(probability, size):  # type: ignore[no-untyped-def]
    """The first state of the highest probability among the first ``size``."""
    best = 0
    for state in range(1, size):
        if probability[state] > probability[best]:
            best = state
    return best


@compiled()
def _best_path(graph, emission, rates, arrival, times, back, path):  # type: ignore[no-untyped-def]
    size, layers = arrival.shape[0], times.shape[2]
    outside = size * layers
    struck, again, extra = np.empty(size), np.empty(size), np.empty(size)
    before, now = np.empty(outside + 1), np.empty(outside + 1)
    _begin(emission, rates, arrival, before, layers, struck, again, extra)
    _scaled(before)
    for j in range(1, back.shape[0]):
        _weights(emission, rates, j, struck, again, extra)
        out = before[outside]
        likeliest = _likeliest(before, outside)
        leave, come_back = JUMP * before[likeliest], (1.0 - STAY_OUT) * out
        jump, jumper = (leave, likeliest) if leave >= come_back else (come_back, outside)
        for i in range(size):
            best, source = UNTIMED * jump * arrival[i], jumper
            for e in range(graph.first[i], graph.first[i + 1]):
                for a in range(layers):
                    s = graph.source[e] * layers + a
                    value = graph.chance[e] * _on(rates, graph.source[e], a) * before[s] * times[j, graph.apart[e], a]
                    if value > best:
                        best, source = value, s
            now[i * layers] = best * struck[i]
            back[j, i * layers] = source
            for a in range(1, layers):
                now[i * layers + a] = -1.0
            for a in range(layers):
                s = i * layers + min(a + 1, layers - 1)
                value = before[i * layers + a] * _beside(rates, i, a, again, extra)
                if value > now[s]:
                    now[s] = value
                    back[j, s] = i * layers + a
        one, other = LEAVE * before[likeliest], STAY_OUT * out
        now[outside] = UNTIMED * max(one, other) * emission.outside[j]
        back[j, outside] = likeliest if one >= other else outside
        _scaled(now)
        before, now = now, before
    last = back.shape[0] - 1
    path.state[last] = _likeliest(before, outside + 1)
    for j in range(last, -1, -1):
        state = path.state[j]
        layer = state % layers if state < outside else 0
        path.event[j] = state // layers if state < outside else -1
        path.is_beside[j] = layer > 0
        path.is_extra[j] = False
        if layer > 0:
            _weights(emission, rates, j, struck, again, extra)
            path.is_extra[j] = j == 0 or _extra_share(rates, path.event[j], layer, again, extra) > 0.5
        if j > 0:
            path.state[j - 1] = back[j, state]


def best_path(graph: Graph, emission: Emission, rates: Rates, arrival: Floats, times: Floats) -> Path:
    """The likeliest state of each found note, all of them together (Viterbi)."""
    notes = times.shape[0]
    path = Path(
        np.empty(notes, np.int64), np.empty(notes, np.int64), np.empty(notes, np.bool_), np.empty(notes, np.bool_)
    )
    back = np.empty((notes, times.shape[2] * arrival.size + 1), np.int32)
    _best_path(graph, emission, rates, arrival, times, back, path)
    return path
