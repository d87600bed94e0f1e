"""The habits of one take: how its player departs from the learned weights, as far as what is heard of the take tells.

For any weights the summed weight of all ways with the slides heard and not heard, against that without, says how likely
these are. The weights that make them likeliest, held near the learned ones by a normal prior, are the take's own: what
features the ways are expected to have with what is heard, less what they are expected to have without it, is the slope
(C. Sutton and A. McCallum, "An introduction to conditional random fields", 2012, section 5). Notes are far from
independent and the model far from true, so that the likelihood counts only in part (``COUNTS``), as in J. Miller and
D. Dunson, "Robust Bayesian inference via coarsening", JASA 114, 2019.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize

from pipeline.compiled import compiled
from pipeline.signal.hand import ways
from pipeline.signal.hand.features import MOVE_NAMES, STOP_NAMES
from pipeline.signal.hand.heard import Hearing
from pipeline.signal.hand.moves import NONE
from pipeline.signal.hand.passage_chain import PassageChain
from pipeline.signal.hand.weights import Weights
from pipeline.units import Floats

COUNTS, SPREAD = 0.2, 0.4
"""What the likelihood counts, as in learning (``pipeline.training.fingers``), and by how many nats each of a player's
weights lies off the learned one (by trial on takes held out; 0.25 to 0.5 do alike)."""
STOP_SPREAD = 1.0
"""By how many nats players differ in what they like each single stop by, beyond what its features say (by trial)."""
NOTES = 100
"""Notes from which on it counts by half and more: what is heard of a few notes tells of them, and not of habits."""
LEAST_CHANCE = 1e-3
"""Stops less likely than this tell nothing of habits."""
ITERATIONS = 15
"""Steps of the search at most (no source)."""
STOPS, MOVES = len(STOP_NAMES), len(MOVE_NAMES)


def own_weights(
    passages: Sequence[PassageChain], kind: Weights, hearing: Hearing
) -> tuple[tuple[Floats, Floats], list[PassageChain]]:
    """What the player of a take adds to the weights of stops and of moves of ``kind``, and passages with its own stops.

    ``hearing`` is how often this player's shifts are heard.
    """
    notes = sum(passage.last - passage.first for passage in passages)
    counts = COUNTS * notes / (notes + NOTES)
    small = [passage.likely(hearing, least=LEAST_CHANCE) for passage in passages]
    told = [each.told(hearing) for each in small]
    known = 1 + max((int(passage.stops.stops.max(initial=0)) for passage in passages), default=0)
    spread = np.concatenate([np.full(STOPS + MOVES, SPREAD), np.full(known, STOP_SPREAD)])

    def parts(steps: Floats) -> tuple[Floats, Floats, Floats]:
        more = spread * steps
        return more[:STOPS], more[STOPS : STOPS + MOVES], more[STOPS + MOVES :]

    def loss(steps: Floats) -> tuple[float, Floats]:
        value, slope = 0.5 * float(steps @ steps), steps.copy()
        stop, move, own = parts(steps)
        player = kind.with_more(stop, move)
        for passage, heard in zip(small, told, strict=True):
            liked = replace(passage, own=own[passage.stops.stops])
            log, rise, by_stop = _log_likelihood(liked, player, heard)
            value -= counts * log
            slope[: STOPS + MOVES] -= counts * SPREAD * rise
            slope[STOPS + MOVES :] -= counts * STOP_SPREAD * np.bincount(passage.stops.stops, by_stop, known)
        return value, slope

    options = {"maxiter": ITERATIONS}
    found = minimize(loss, np.zeros(spread.size), jac=True, method="L-BFGS-B", options=options).x
    stop, move, own = parts(found)
    return (stop, move), [replace(passage, own=own[passage.stops.stops]) for passage in passages]


def _log_likelihood(passage: PassageChain, kind: Weights, told: Floats) -> tuple[float, Floats, Floats]:
    """Log likelihood of the slides heard and not heard, ``told`` of the pairs, and its slopes.

    Of the weights (STOPS + MOVES,), and of what is liked of each candidate.

    Pitch and vibrato count with the slides and without: of habits they tell too little to be learned from.
    """
    begins, links, moves = passage.stops.begins, passage.moves.begins, passage.moves
    weights, _ = passage.weights(passage.likings([kind])[0])
    without = passage.ease(kind)
    pairs = without * told
    heard, silent = (ways.forward_backward(begins, weights, each, links) for each in (pairs, without))
    stops, by_set = heard.chance - silent.chance, np.zeros(len(moves.sets))
    one, other = ((pairs, heard.before, weights * heard.after), (without, silent.before, weights * silent.after))
    _more_expected(begins, links, moves.which, *one, *other, 1.0 - passage.links.rested, by_set)
    rise = np.zeros(MOVES)
    _by_feature(moves.sets, by_set, rise)
    return heard.log_whole - silent.log_whole, np.concatenate([stops @ passage.features, rise]), stops


# Sums in whatever order lets several pairs go at once.
@compiled(fastmath={"reassoc"})
def _more_expected(begins, links, which, pairs, before, ahead, pairs_b, before_b, ahead_b, held, out):  # type: ignore[no-untyped-def]
    """How much oftener each set of features is expected in the first chain than in the second."""
    for t in range(links.shape[0] - 1):
        first, last = begins[t + 1], begins[t + 2]
        wide = last - first
        coming, coming_b = ahead[first:last], ahead_b[first:last]
        whole = whole_b = 0.0
        at = links[t]
        for i in range(begins[t], first):
            row, row_b = pairs[at : at + wide], pairs_b[at : at + wide]
            total = total_b = 0.0
            for j in range(wide):
                total += row[j] * coming[j]
                total_b += row_b[j] * coming_b[j]
            whole += before[i] * total
            whole_b += before_b[i] * total_b
            at += wide
        at = links[t]
        for i in range(begins[t], first):
            own = held[t] * before[i] / whole if whole > 0.0 else 0.0
            own_b = held[t] * before_b[i] / whole_b if whole_b > 0.0 else 0.0
            for j in range(wide):
                out[which[at + j]] += own * pairs[at + j] * coming[j] - own_b * pairs_b[at + j] * coming_b[j]
            at += wide


@compiled()
def _by_feature(sets, by_set, out):  # type: ignore[no-untyped-def]
    for k in range(1, sets.shape[0]):
        if by_set[k] != 0.0:
            for m in range(sets.shape[1]):
                f = sets[k, m]
                if f == NONE:
                    break
                out[f] += by_set[k]
