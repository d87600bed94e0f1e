"""All ways through a chain of candidates, compiled: forward-backward, what happens between notes, best paths."""

import math
from typing import NamedTuple

import numpy as np

from pipeline.compiled import compiled
from pipeline.signal.hand.chain import Arrays, Candidates, Ints
from pipeline.units import Floats

_NOTHING = np.empty(0)  # pairs are taken as they are


class Ways(NamedTuple):
    """Forward-backward result: probability of each candidate, weights of all ways to and from it, and of the whole.

    ``log_whole`` is the log of the summed weights of all ways through the passage.
    """

    chance: Floats
    before: Floats
    after: Floats
    log_whole: float


# Sums in whatever order lets several pairs go at once.
@compiled(fastmath={"reassoc"})
def _link_summary(place, string, finger, begins, pairs, before, ahead, out):  # type: ignore[no-untyped-def]
    at = 0
    for t in range(begins.shape[0] - 2):
        first, last = begins[t + 1], begins[t + 2]
        places, strings, fingers = place[first:last], string[first:last], finger[first:last]
        weights = ahead[first:last]
        wide = last - first
        total = moved = on_string = along = 0.0
        for i in range(begins[t], first):
            row = pairs[at : at + wide]
            at += wide
            so_far, from_place, from_string, from_finger = before[i], place[i], string[i], finger[i]
            for j in range(wide):
                chance = so_far * row[j] * weights[j]
                total += chance
                shifted = chance if abs(places[j] - from_place) > 1 else 0.0
                moved += shifted
                on_string += chance if strings[j] == from_string else 0.0
                stopped = (strings[j] == from_string) & (from_finger > 0) & (fingers[j] > 0)
                along += shifted if stopped else 0.0
        out[t, 0] = moved / total if total > 0.0 else math.nan
        out[t, 1] = on_string / total if total > 0.0 else math.nan
        out[t, 2] = along / total if total > 0.0 else math.nan


def link_summary(table: Arrays, notes: Candidates, weights: Floats, pairs: Floats, ways: Ways) -> Floats:
    """For each link (links, 3): probability that the hand moved by more than a semitone, that both notes are on
    one string, and that it moved along one string between two stopped notes (the chance to slide)."""
    out = np.empty((notes.begins.size - 2, 3))
    place, string, finger = (part[notes.stops] for part in (table.place, table.string, table.finger))
    _link_summary(place, string, finger, notes.begins, pairs, ways.before, weights * ways.after, out)
    return out


@compiled()
def _forward(begins, weights, pairs, heard, pair_begins, before):  # type: ignore[no-untyped-def]
    log_whole = 0.0
    for t in range(begins.shape[0] - 1):
        first = begins[t]
        wide = begins[t + 1] - first
        # Over views of what lies side by side: with indices of their own, several candidates would not go at once.
        here, own = before[first : first + wide], weights[first : first + wide]
        for j in range(wide):
            here[j] = own[j] if t == 0 else 0.0
        if t > 0:
            for i in range(first - begins[t - 1]):
                so_far = before[begins[t - 1] + i]
                at = pair_begins[t - 1] + i * wide
                if so_far > 0.0:
                    row = pairs[at : at + wide]
                    if heard.shape[0] > 0:
                        told = heard[at : at + wide]
                        for j in range(wide):
                            here[j] += so_far * (row[j] * told[j])
                    else:
                        for j in range(wide):
                            here[j] += so_far * row[j]
            for j in range(wide):
                here[j] *= own[j]
        whole = 0.0
        for j in range(wide):
            whole += here[j]
        if whole <= 0.0:
            # No hand can go on from here: start anew.
            for j in range(wide):
                here[j] = own[j]
                whole += here[j]
        for j in range(wide):
            here[j] /= whole
        log_whole += math.log(whole)
    return log_whole


def forward(
    begins: Ints, weights: Floats, pairs: Floats, pair_begins: Ints, *, heard: Floats = _NOTHING
) -> tuple[Floats, float]:
    """Weight of all ways to each candidate, scaled note by note, and the log of the summed weights of all ways.

    ``heard`` multiplies ``pairs`` where given: millions of products that need not be kept.
    """
    before = np.empty(weights.size)
    return before, float(_forward(begins, weights, pairs, heard, pair_begins, before))


@compiled(fastmath={"reassoc"})
def _backward(begins, weights, pairs, pair_begins, before, after, chance):  # type: ignore[no-untyped-def]
    notes = begins.shape[0] - 1
    for j in range(begins[notes - 1], begins[notes]):
        after[j] = 1.0
    for t in range(notes - 2, -1, -1):
        first, last = begins[t + 1], begins[t + 2]
        wide = last - first
        own, coming, ahead = weights[first:last], after[first:last], chance[first:last]
        for j in range(wide):
            ahead[j] = own[j] * coming[j]
        whole = 0.0
        for i in range(first - begins[t]):
            row = pairs[pair_begins[t] + i * wide : pair_begins[t] + (i + 1) * wide]
            total = 0.0
            for j in range(wide):
                total += row[j] * ahead[j]
            after[begins[t] + i] = total
            whole += total
        for i in range(begins[t], begins[t + 1]):
            after[i] = 1.0 if whole <= 0.0 else after[i] / whole
    for t in range(notes):
        whole = 0.0
        for i in range(begins[t], begins[t + 1]):
            chance[i] = before[i] * after[i]
            whole += chance[i]
        for i in range(begins[t], begins[t + 1]):
            chance[i] = chance[i] / whole if whole > 0.0 else before[i]


def forward_backward(begins: Ints, weights: Floats, pairs: Floats, pair_begins: Ints) -> Ways:
    """Probability of each candidate stop given the whole chain."""
    before, log_whole = forward(begins, weights, pairs, pair_begins)
    after, chance = np.empty((2, weights.size))
    _backward(begins, weights, pairs, pair_begins, before, after, chance)
    return Ways(chance, before, after, log_whole)


@compiled()
def _add_joint(begins, pair_begins, of, pairs, before, ahead, share, out):  # type: ignore[no-untyped-def]
    for t in of:
        whole = 0.0
        at = pair_begins[t]
        for i in range(begins[t], begins[t + 1]):
            for j in range(begins[t + 1], begins[t + 2]):
                whole += before[i] * pairs[at] * ahead[j]
                at += 1
        if whole > 0.0:
            at = pair_begins[t]
            for i in range(begins[t], begins[t + 1]):
                for j in range(begins[t + 1], begins[t + 2]):
                    out[at] += share * before[i] * pairs[at] * ahead[j] / whole
                    at += 1


def add_joint(
    begins: Ints, pair_begins: Ints, of: Ints, weights: Floats, pairs: Floats, ways: Ways, share: float, out: Floats
) -> None:
    """Add ``share`` times the probability of each pair of the links ``of`` to ``out`` (pairs,)."""
    _add_joint(begins, pair_begins, of, pairs, ways.before, weights * ways.after, share, out)


@compiled()
def _best_paths(begins, weights, pairs, pair_begins, count, score, back):  # type: ignore[no-untyped-def]
    for j in range(begins[1]):
        score[j, 0] = math.log(weights[j] + 1e-300)
    for t in range(1, begins.shape[0] - 1):
        wide = begins[t + 1] - begins[t]
        for j in range(wide):
            at = begins[t] + j
            own = math.log(weights[at] + 1e-300)
            for i in range(begins[t] - begins[t - 1]):
                pair = pairs[pair_begins[t - 1] + i * wide + j]
                link = math.log(pair) if pair > 0.0 else -1e6
                for k in range(count):
                    value = score[begins[t - 1] + i, k] + link + own
                    if value <= score[at, count - 1]:
                        break
                    r = count - 1
                    while r > 0 and score[at, r - 1] < value:
                        score[at, r] = score[at, r - 1]
                        back[at, r] = back[at, r - 1]
                        r -= 1
                    score[at, r] = value
                    back[at, r] = (begins[t - 1] + i) * count + k


def best_paths(begins: Ints, weights: Floats, pairs: Floats, pair_begins: Ints, *, count: int) -> tuple[Ints, Floats]:
    """The ``count`` likeliest paths: positions in the candidate list (count, notes), and log weights (count,).

    A list Viterbi search: each candidate keeps its ``count`` best ways in. Paths that do not exist have -inf.
    """
    notes = begins.size - 1
    score = np.full((weights.size, count), -np.inf)
    back = np.full((weights.size, count), -1, np.int64)
    _best_paths(begins, weights, pairs, pair_begins, count, score, back)
    last = score[begins[notes - 1] : begins[notes]].reshape(-1)
    order = np.argsort(-last, kind="stable")
    paths = np.full((count, notes), -1, np.int64)
    logs = np.full(count, -np.inf)
    for rank in range(min(count, order.size)):
        if last[order[rank]] == -np.inf:
            break
        logs[rank] = last[order[rank]]
        at, k = divmod(int(order[rank]), count)
        at += int(begins[notes - 1])
        for t in range(notes - 1, -1, -1):
            paths[rank, t] = at
            at, k = divmod(int(back[at, k]), count)
    return paths, logs
