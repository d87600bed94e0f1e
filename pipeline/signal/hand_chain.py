"""The compiled chain over stops: candidates of each note, weights of each pair, forward-backward, best paths."""

from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from pipeline.signal.playability import Costs, audible_share, kinds_by_break, move_weight, slide_fit, stop_weight
from pipeline.units import Floats

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

VIBRATO_ON_OPEN = 0.02
VIBRATO_ON_HARMONIC = 0.1
SLIDE_PRIOR = 0.2
"""Share of slides that a confidence in one already contains; dividing by it leaves the evidence, as with kinds."""


class Arrays(NamedTuple):
    """The open strings, the stop table (see ``geometry.StopTable``) and the weights of choosing hand places."""

    open_midi: Floats
    first: Ints
    string: Ints
    finger: Ints
    place: Ints
    stop: Ints
    strained: Ints
    harmonic: Bools
    reach: Floats
    entry: Floats


class Links(NamedTuple):
    """Each pair of neighbouring notes.

    ``apart_s`` is the time between their beginnings, ``rested`` from 0 to 1 how far a rest frees the hand,
    ``slurred`` the probability that no new stroke begins the second, ``rise`` the interval in semitones, ``slide``
    the slide between them or -1.
    """

    apart_s: Floats
    rested: Floats
    slurred: Floats
    rise: Floats
    slide: Ints


class Slides(NamedTuple):
    """Slides: probabilities of kinds (m, 6), pitches in MIDI (steps NaN where unbroken), confidence."""

    kinds: Floats
    from_midi: Floats
    to_midi: Floats
    step_from_midi: Floats
    step_to_midi: Floats
    confidence: Floats


def looked_at(slides: Slides) -> Slides:
    """The slides with their kinds weighed by where their breaks lie."""
    kinds = kinds_by_break(
        slides.kinds,
        to_gap=slides.step_to_midi - slides.to_midi,
        from_gap=slides.step_from_midi - slides.from_midi,
    )
    return slides._replace(kinds=kinds)


class Ways(NamedTuple):
    """Forward-backward result: probability of each candidate, weights of all ways to and from it, and of the whole.

    ``log_whole`` is the log of the summed weights of all ways through the passage.
    """

    chance: Floats
    before: Floats
    after: Floats
    log_whole: float


@numba.njit(cache=True)
def gather(
    costs: Costs, table: Arrays, midi: Floats, vibrato: Floats, vibrato_share: float
) -> tuple[Ints, Ints, Floats]:
    """Candidate stops of each note.

    ``vibrato`` is 1 where there is one, 0 where there is none, NaN where the note is too short to tell.
    Returns where each note's stops begin (notes + 1), their indices in the stop table, and their weights (not
    logs; the first note's contain the choice of a hand place). A note that no string can sound has none.
    """
    begins = np.zeros(midi.size + 1, np.int64)
    stops = np.empty(512 * max(midi.size, 1), np.int64)
    weights = np.empty(512 * max(midi.size, 1), np.float64)
    count = 0
    highest = table.first.shape[1] - 2
    for i in range(midi.size):
        best = -np.inf
        for string in range(table.open_midi.size):
            above = midi[i] - table.open_midi[string]
            low = int(np.floor(above))
            for sounding in range(low, low + 2):
                off = above - sounding
                if sounding < 0 or sounding > highest or abs(off) >= 0.7:
                    continue
                for k in range(table.first[string, sounding], table.first[string, sounding + 1]):
                    opened = table.finger[k] == 0
                    fixed = opened or table.harmonic[k]
                    width = costs.open_string_semitones if fixed else costs.intonation_semitones
                    fit = np.exp(-0.5 * (off / width) ** 2) / width + 0.02
                    weight = stop_weight(
                        costs,
                        table.finger[k],
                        table.stop[k],
                        table.strained[k],
                        table.harmonic[k],
                        string == table.open_midi.size - 1,
                    )
                    if i == 0:
                        weight += table.entry[string, table.place[k]]
                    weight = costs.tempering * weight + np.log(fit)
                    if np.isfinite(vibrato[i]):
                        share = vibrato_share
                        if opened:
                            share = VIBRATO_ON_OPEN
                        elif table.harmonic[k]:
                            share = VIBRATO_ON_HARMONIC
                        weight += np.log(share if vibrato[i] > 0.5 else 1.0 - share)
                    stops[count] = k
                    weights[count] = weight
                    best = max(best, weight)
                    count += 1
        begins[i + 1] = count
        for j in range(begins[i], count):
            weights[j] = np.exp(weights[j] - best)
    return begins, stops[:count].copy(), weights[:count].copy()


@numba.njit(cache=True)
def link_weights(
    costs: Costs,
    table: Arrays,
    begins: Ints,
    stops: Ints,
    links: Links,
    slides: Slides,
    listening: bool,
) -> tuple[Ints, Floats]:
    """Weight of every pair of candidate stops of neighbouring notes; 0 where no hand can.

    Without ``listening`` nothing is made of the slides heard and not heard: playability alone.

    Returns where each link's weights begin (links + 1), and the weights, row by row (first note's candidates).
    """
    count = links.apart_s.size
    pair_begins = np.zeros(count + 1, np.int64)
    for t in range(count):
        wide = begins[t + 2] - begins[t + 1]
        pair_begins[t + 1] = pair_begins[t] + (begins[t + 1] - begins[t]) * wide
    out = np.zeros(pair_begins[count])
    for t in range(count):
        at = pair_begins[t]
        k = links.slide[t] if listening else -1
        heard = slides.confidence[k] if k >= 0 else 0.0
        rested = links.rested[t]
        for i in range(begins[t], begins[t + 1]):
            a = stops[i]
            for j in range(begins[t + 1], begins[t + 2]):
                b = stops[j]
                one = (table.string[a], table.finger[a], table.place[a], table.stop[a])
                other = (table.string[b], table.finger[b], table.place[b], table.stop[b])
                entry = table.entry[other[0], other[2]]
                weight = move_weight(costs, one, other, links.rise[t], links.apart_s[t], entry, heard)
                if weight == -np.inf:
                    if rested < 0.5:
                        at += 1
                        continue
                    weight = -costs.shift
                share = audible_share(costs, links.slurred[t], one, other)
                if k >= 0:
                    open_midi = table.open_midi[other[0]]
                    fit = slide_fit(
                        costs,
                        table.reach,
                        slides.kinds[k],
                        one,
                        other,
                        slides.step_from_midi[k] - open_midi,
                        slides.step_to_midi[k] - open_midi,
                        slides.to_midi[k] - slides.from_midi[k],
                    )
                    evidence = heard / SLIDE_PRIOR * share * fit + (1.0 - heard) / (1.0 - SLIDE_PRIOR) * (1.0 - share)
                else:
                    evidence = 1.0 - share * (1.0 - rested) if listening else 1.0
                weight = (1.0 - rested) * weight + rested * entry
                out[at] = np.exp(costs.tempering * (weight + np.log(evidence + 1e-9)))
                at += 1
    return pair_begins, out


@numba.njit(cache=True)
def link_summary(table: Arrays, begins: Ints, stops: Ints, weights: Floats, pairs: Floats, ways: Ways) -> Floats:
    """For each link (links, 3): probability that the hand moved by more than a semitone, that both notes are on
    one string, and that it moved along one string between two stopped notes (the chance to slide)."""
    out = np.zeros((begins.size - 2, 3))
    at = 0
    for t in range(begins.size - 2):
        total = 0.0
        for i in range(begins[t], begins[t + 1]):
            a = stops[i]
            for j in range(begins[t + 1], begins[t + 2]):
                b = stops[j]
                chance = ways.before[i] * pairs[at] * weights[j] * ways.after[j]
                at += 1
                total += chance
                moved = abs(table.place[b] - table.place[a]) > 1
                one_string = table.string[a] == table.string[b]
                if moved:
                    out[t, 0] += chance
                if one_string:
                    out[t, 1] += chance
                    if moved and table.finger[a] > 0 and table.finger[b] > 0:
                        out[t, 2] += chance
        if total > 0.0:
            out[t] /= total
        else:
            out[t] = np.nan
    return out


@numba.njit(cache=True)
def forward_backward(begins: Ints, weights: Floats, pairs: Floats, pair_begins: Ints) -> Ways:
    """Probability of each candidate stop given the whole chain."""
    notes = begins.size - 1
    before = np.zeros(weights.size)
    after = np.zeros(weights.size)
    log_whole = 0.0
    for j in range(begins[0], begins[1]):
        before[j] = weights[j]
    for t in range(notes):
        if t > 0:
            wide = begins[t + 1] - begins[t]
            for j in range(wide):
                total = 0.0
                for i in range(begins[t] - begins[t - 1]):
                    total += before[begins[t - 1] + i] * pairs[pair_begins[t - 1] + i * wide + j]
                before[begins[t] + j] = total * weights[begins[t] + j]
        whole = before[begins[t] : begins[t + 1]].sum()
        if whole <= 0.0:
            # No hand can go on from here: start anew.
            before[begins[t] : begins[t + 1]] = weights[begins[t] : begins[t + 1]]
            whole = before[begins[t] : begins[t + 1]].sum()
        before[begins[t] : begins[t + 1]] /= whole
        log_whole += np.log(whole)
    after[begins[notes - 1] : begins[notes]] = 1.0
    for t in range(notes - 2, -1, -1):
        wide = begins[t + 2] - begins[t + 1]
        whole = 0.0
        for i in range(begins[t + 1] - begins[t]):
            total = 0.0
            for j in range(wide):
                at = begins[t + 1] + j
                total += pairs[pair_begins[t] + i * wide + j] * weights[at] * after[at]
            after[begins[t] + i] = total
            whole += total
        if whole <= 0.0:
            after[begins[t] : begins[t + 1]] = 1.0
        else:
            after[begins[t] : begins[t + 1]] /= whole
    chance = before * after
    for t in range(notes):
        whole = chance[begins[t] : begins[t + 1]].sum()
        if whole > 0.0:
            chance[begins[t] : begins[t + 1]] /= whole
        else:
            chance[begins[t] : begins[t + 1]] = before[begins[t] : begins[t + 1]]
    return Ways(chance, before, after, log_whole)


@numba.njit(cache=True)
def best_paths(begins: Ints, weights: Floats, pairs: Floats, pair_begins: Ints, *, count: int) -> tuple[Ints, Floats]:
    """The ``count`` likeliest paths: positions in the candidate list (count, notes), and log weights (count,).

    A list Viterbi search: each candidate keeps its ``count`` best ways in. Paths that do not exist have -inf.
    """
    notes = begins.size - 1
    score = np.full((weights.size, count), -np.inf)
    back = np.full((weights.size, count), -1, np.int64)
    for j in range(begins[0], begins[1]):
        score[j, 0] = np.log(weights[j] + 1e-300)
    for t in range(1, notes):
        wide = begins[t + 1] - begins[t]
        for j in range(wide):
            at = begins[t] + j
            own = np.log(weights[at] + 1e-300)
            for i in range(begins[t] - begins[t - 1]):
                pair = pairs[pair_begins[t - 1] + i * wide + j]
                link = np.log(pair) if pair > 0.0 else -1e6
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
    last = score[begins[notes - 1] : begins[notes]].copy().reshape(-1)
    order = np.argsort(-last, kind="mergesort")
    paths = np.full((count, notes), -1, np.int64)
    logs = np.full(count, -np.inf)
    for rank in range(min(count, order.size)):
        if last[order[rank]] == -np.inf:
            break
        logs[rank] = last[order[rank]]
        at = begins[notes - 1] + order[rank] // count
        k = order[rank] % count
        for t in range(notes - 1, -1, -1):
            paths[rank, t] = at
            step = back[at, k]
            at, k = step // count, step % count
    return paths, logs
