"""The compiled chain over stops: candidates of each note, weights of each pair, forward-backward, best paths."""

from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from pipeline.signal.hand.fingerboard import LARGEST_OFFSET
from pipeline.signal.hand.playability import (
    Costs,
    audible_share,
    crossing_weight,
    kinds_by_break,
    move_weight,
    slide_fit,
    stop_weight,
)
from pipeline.units import Floats

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

VIBRATO_ON_OPEN = 0.02
VIBRATO_ON_HARMONIC = 0.1
SLIDE_PRIOR = 0.2
"""Share of slides that a confidence in one already contains; dividing by it leaves the evidence, as with kinds."""
LEAST_EVIDENCE = 1e-9
WIDEST_BREAK = LARGEST_OFFSET + 1.0
"""Semitones between two fingers beyond which a measured break is an error."""


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
    """The slides with their kinds weighed by where their breaks lie.

    A break wider than any hand is none of the hand's: such a slide says as little as if it had not been looked for.
    """
    kinds = kinds_by_break(
        slides.kinds,
        to_gap=slides.step_to_midi - slides.to_midi,
        from_gap=slides.step_from_midi - slides.from_midi,
    )
    wide = np.abs(np.nan_to_num(slides.step_to_midi - slides.step_from_midi)) > WIDEST_BREAK
    return slides._replace(kinds=kinds, confidence=np.where(wide, SLIDE_PRIOR, slides.confidence))


class Ways(NamedTuple):
    """Forward-backward result: probability of each candidate, weights of all ways to and from it, and of the whole.

    ``log_whole`` is the log of the summed weights of all ways through the passage.
    """

    chance: Floats
    before: Floats
    after: Floats
    log_whole: float


class Candidates(NamedTuple):
    """Candidate stops of each note, as log weights of three kinds.

    ``begins`` (notes + 1) is where each note's stops begin, ``stops`` their indices in the stop table; ``liking`` is
    what the hand makes of each (the first note's contains the choice of a hand place), ``sound`` what the pitch says,
    ``seen`` what vibrato or its absence says. A note that no string can sound has no stops.
    """

    begins: Ints
    stops: Ints
    liking: Floats
    sound: Floats
    seen: Floats


class Moves(NamedTuple):
    """Every pair of candidate stops of neighbouring notes, row by row (first note's candidates).

    ``begins`` (links + 1) is where each link's pairs begin. ``effort`` is the log weight of the move without that of
    ``crossing`` strings, -inf where no hand can. A slide is heard with the probability ``by_chance`` + ``by_shift``
    times that of a plain shift; ``fit`` is the likelihood of the slide heard, 1 where none is.
    """

    begins: Ints
    effort: Floats
    crossing: Floats
    by_chance: Floats
    by_shift: Floats
    fit: Floats


@numba.njit(cache=True)
def gather(costs: Costs, table: Arrays, midi: Floats, vibrato: Floats, vibrato_share: float) -> Candidates:
    """Candidate stops of each note.

    ``vibrato`` is 1 where there is one, 0 where there is none, NaN where the note is too short to tell.
    """
    begins = np.zeros(midi.size + 1, np.int64)
    stops = np.empty(512 * max(midi.size, 1), np.int64)
    logs = np.zeros((3, 512 * max(midi.size, 1)), np.float64)
    count = 0
    highest = table.first.shape[1] - 2
    top = table.open_midi.size - 1
    for i in range(midi.size):
        for string in range(table.open_midi.size):
            above = midi[i] - table.open_midi[string]
            low = int(np.floor(above))
            for sounding in range(low, low + 2):
                off = above - sounding
                if sounding < 0 or sounding > highest or abs(off) >= 0.7:
                    continue
                for k in range(table.first[string, sounding], table.first[string, sounding + 1]):
                    opened, touched = table.finger[k] == 0, table.harmonic[k]
                    width = costs.open_string_semitones if opened or touched else costs.intonation_semitones
                    stops[count] = k
                    logs[0, count] = stop_weight(
                        costs, table.finger[k], table.stop[k], table.strained[k], touched, string == top
                    )
                    if i == 0:
                        logs[0, count] += table.entry[string, table.place[k]]
                    logs[1, count] = np.log(np.exp(-0.5 * (off / width) ** 2) / width + 0.02)
                    if np.isfinite(vibrato[i]):
                        share = vibrato_share
                        if opened:
                            share = VIBRATO_ON_OPEN
                        elif touched:
                            share = VIBRATO_ON_HARMONIC
                        logs[2, count] = np.log(share if vibrato[i] > 0.5 else 1.0 - share)
                    count += 1
        begins[i + 1] = count
    return Candidates(
        begins, stops[:count].copy(), logs[0, :count].copy(), logs[1, :count].copy(), logs[2, :count].copy()
    )


@numba.njit(cache=True)
def note_weights(begins: Ints, logs: Floats) -> tuple[Floats, float]:
    """Weights of the candidates, the best of each note 1, and the log of all that was divided out."""
    weights = np.empty(logs.size)
    whole = 0.0
    for i in range(begins.size - 1):
        if begins[i + 1] > begins[i]:
            best = logs[begins[i] : begins[i + 1]].max()
            weights[begins[i] : begins[i + 1]] = np.exp(logs[begins[i] : begins[i + 1]] - best)
            whole += best
    return weights, whole


@numba.njit(cache=True)
def moves(costs: Costs, table: Arrays, begins: Ints, stops: Ints, links: Links, slides: Slides) -> Moves:
    """Every pair of candidate stops of neighbouring notes, whatever the player's habits."""
    count = links.apart_s.size
    pair_begins = np.zeros(count + 1, np.int64)
    for t in range(count):
        wide = begins[t + 2] - begins[t + 1]
        pair_begins[t + 1] = pair_begins[t] + (begins[t + 1] - begins[t]) * wide
    effort, crossing, by_chance, by_shift, fit = np.zeros((5, pair_begins[count]))
    for t in range(count):
        at = pair_begins[t]
        k = links.slide[t]
        rested = links.rested[t]
        for i in range(begins[t], begins[t + 1]):
            a = stops[i]
            one = (table.string[a], table.finger[a], table.place[a], table.stop[a])
            for j in range(begins[t + 1], begins[t + 2]):
                b = stops[j]
                other = (table.string[b], table.finger[b], table.place[b], table.stop[b])
                entry = table.entry[other[0], other[2]]
                weight = move_weight(costs, one, other, links.rise[t], links.apart_s[t], entry)
                crossed = crossing_weight(costs, abs(other[0] - one[0]))
                if weight == -np.inf and rested >= 0.5:
                    weight, crossed = -costs.shift, 0.0
                effort[at] = (1.0 - rested) * weight + rested * entry
                crossing[at] = (1.0 - rested) * crossed
                by_chance[at], by_shift[at] = audible_share(costs, one, other)
                fit[at] = 1.0
                if k >= 0 and weight > -np.inf:
                    open_midi = table.open_midi[other[0]]
                    fit[at] = slide_fit(
                        costs,
                        table.reach,
                        slides.kinds[k],
                        one,
                        other,
                        slides.step_from_midi[k] - open_midi,
                        slides.step_to_midi[k] - open_midi,
                        slides.to_midi[k] - slides.from_midi[k],
                    )
                at += 1
    return Moves(pair_begins, effort, crossing, by_chance, by_shift, fit)


@numba.njit(cache=True)
def evidence(costs: Costs, moves: Moves, links: Links, slides: Slides) -> Floats:
    """Likelihood of the slides heard and not heard under every pair, by how often this player's shifts are heard."""
    out = np.empty(moves.fit.size)
    for t in range(links.apart_s.size):
        k = links.slide[t]
        shift = links.slurred[t] * costs.audible_slurred + (1.0 - links.slurred[t]) * costs.audible_detached
        heard = slides.confidence[k] / SLIDE_PRIOR if k >= 0 else 0.0
        silent = (1.0 - slides.confidence[k]) / (1.0 - SLIDE_PRIOR) if k >= 0 else 0.0
        for at in range(moves.begins[t], moves.begins[t + 1]):
            share = moves.by_chance[at] + moves.by_shift[at] * shift
            if k >= 0:
                out[at] = heard * share * moves.fit[at] + silent * (1.0 - share) + LEAST_EVIDENCE
            else:
                out[at] = 1.0 - share * (1.0 - links.rested[t]) + LEAST_EVIDENCE
    return out


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
def forward(begins: Ints, weights: Floats, pairs: Floats, pair_begins: Ints) -> tuple[Floats, float]:
    """Weight of all ways to each candidate, scaled note by note, and the log of the summed weights of all ways."""
    notes = begins.size - 1
    before = np.zeros(weights.size)
    log_whole = 0.0
    before[: begins[1]] = weights[: begins[1]]
    for t in range(notes):
        if t > 0:
            wide = begins[t + 1] - begins[t]
            now = before[begins[t] : begins[t + 1]]
            for i in range(begins[t] - begins[t - 1]):
                so_far = before[begins[t - 1] + i]
                if so_far > 0.0:
                    now += so_far * pairs[pair_begins[t - 1] + i * wide : pair_begins[t - 1] + (i + 1) * wide]
            now *= weights[begins[t] : begins[t + 1]]
        whole = before[begins[t] : begins[t + 1]].sum()
        if whole <= 0.0:
            # No hand can go on from here: start anew.
            before[begins[t] : begins[t + 1]] = weights[begins[t] : begins[t + 1]]
            whole = before[begins[t] : begins[t + 1]].sum()
        before[begins[t] : begins[t + 1]] /= whole
        log_whole += np.log(whole)
    return before, log_whole


@numba.njit(cache=True)
def forward_backward(begins: Ints, weights: Floats, pairs: Floats, pair_begins: Ints) -> Ways:
    """Probability of each candidate stop given the whole chain."""
    notes = begins.size - 1
    before, log_whole = forward(begins, weights, pairs, pair_begins)
    after = np.zeros(weights.size)
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
