"""Every pair of candidate stops of neighbouring notes: what the hand likes of each move, and what is heard of it.

Kernels are plain loops, as in ``chain``.
"""

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within
from pipeline.signal.hand.chain import SLIDE_PRIOR, Arrays, Ints, Slides
from pipeline.signal.hand.features import MOST_AT_ONCE, move_features
from pipeline.signal.hand.heard import Hearing, audible_share, slide_fit
from pipeline.units import Floats

Bytes = npt.NDArray[np.uint8]
Shorts = npt.NDArray[np.uint16]

LEAST_EVIDENCE = 1e-9  # so that nothing is impossible for one wrong measure
AFTER_A_REST = -1.5
"""Log weight, after a rest that frees the hand, of what no hand can do without one (common practice, no source)."""
MOST_SHARES = 16
"""More than ``audible_share`` can tell apart: a byte a pair says which, since there are millions of pairs."""
NONE, IMPOSSIBLE = 255, 254
"""What stands in a set of features where there are no more, and first in the set of what no hand can make."""
MOST_SETS = 1 << 16
"""More sets of features than there are: two bytes a pair say which."""


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


class Moves(NamedTuple):
    """Every pair of candidate stops of neighbouring notes, row by row (first note's candidates).

    ``begins`` (links + 1) is where each link's pairs begin. Pairs are millions and the sets of features that they have
    some thousands: ``which`` (pairs,) is the row of ``sets`` (sets, MOST_AT_ONCE) with the ``features.MOVE_FEATURES``
    of each. ``audible`` (pairs,) is the row of ``shares`` (MOST_SHARES, 2) that tells with what probability a slide is
    heard: the first number, and the second times that of a plain shift. ``fit`` (pairs,) is the likelihood of the slide
    heard, 1 where none is.
    """

    begins: Ints
    which: Ints | Shorts
    sets: Bytes
    audible: Bytes
    shares: Floats
    fit: Floats


@compiled_within()
def _set_of(row, count, slots, masks, sets, known):  # type: ignore[no-untyped-def]
    """The place in ``sets`` of the first ``count`` features of ``row``, and how many sets there then are.

    Looked up by open addressing in ``slots``, a power of 2 of them.
    """
    mask = np.uint64(0)
    for m in range(count):
        mask |= np.uint64(1) << np.uint64(row[m])
    last = np.uint64(slots.size - 1)
    at = ((mask * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(32)) & last
    while slots[at] >= 0 and masks[slots[at]] != mask:
        at = (at + np.uint64(1)) & last
    if slots[at] < 0:
        slots[at] = known
        masks[known] = mask
        for m in range(MOST_AT_ONCE):
            sets[known, m] = row[m] if m < count else NONE
        known += 1
    return slots[at], known


@compiled()
def _moves(  # type: ignore[no-untyped-def]
    table: Arrays, begins, stops, links: Links, same_as, out, which, slots, masks, sets, audible, shares
):
    row = np.zeros(MOST_AT_ONCE, np.uint8)
    for m in range(MOST_AT_ONCE):
        sets[0, m] = NONE
    sets[0, 0] = IMPOSSIBLE
    known, known_shares = np.int64(1), 0
    for t in range(links.apart_s.shape[0]):
        at = out[t]
        if same_as[t] < t:
            first, size = out[same_as[t]], out[t + 1] - at
            for m in range(size):
                which[at + m] = which[first + m]
                audible[at + m] = audible[first + m]
            continue
        rise = round(links.rise[t])
        for i in range(begins[t], begins[t + 1]):
            a = stops[i]
            one = (table.string[a], table.finger[a], table.place[a], table.stop[a])
            for j in range(begins[t + 1], begins[t + 2]):
                b = stops[j]
                other = (table.string[b], table.finger[b], table.place[b], table.stop[b])
                count = move_features(one, other, rise, table.close[table.place[b]], row)
                which[at] = 0
                if count >= 0:
                    which[at], known = _set_of(row, count, slots, masks, sets, known)
                by_chance, by_shift = audible_share(one, other)
                share = 0
                while share < known_shares and (shares[share, 0] != by_chance or shares[share, 1] != by_shift):
                    share += 1
                if share == known_shares:
                    shares[share, 0], shares[share, 1] = by_chance, by_shift
                    known_shares += 1
                audible[at] = share
                at += 1
    return known


@compiled()
def _fits(table: Arrays, begins, stops, links: Links, slides: Slides, hearing: Hearing, out, which, fit):  # type: ignore[no-untyped-def]
    for at in range(fit.size):
        fit[at] = 1.0
    for t in range(links.apart_s.shape[0]):
        k = links.slide[t]
        if k < 0:
            continue
        at = out[t]
        # Between two strings nothing else of a pair matters.
        across = -1.0
        for i in range(begins[t], begins[t + 1]):
            a = stops[i]
            one = (table.string[a], table.finger[a], table.place[a], table.stop[a])
            for j in range(begins[t + 1], begins[t + 2]):
                b = stops[j]
                other = (table.string[b], table.finger[b], table.place[b], table.stop[b])
                if which[at] > 0 and (across < 0.0 or one[0] == other[0]):
                    open_midi = table.open_midi[other[0]]
                    fit[at] = slide_fit(
                        hearing,
                        table.reach,
                        slides.kinds[k],
                        one,
                        other,
                        slides.step_from_midi[k] - open_midi,
                        slides.step_to_midi[k] - open_midi,
                        slides.to_midi[k] - slides.from_midi[k],
                        links.slurred[t],
                    )
                    if one[0] != other[0]:
                        across = fit[at]
                elif which[at] > 0:
                    fit[at] = across
                at += 1


def moves(table: Arrays, begins: Ints, stops: Ints, links: Links, slides: Slides, hearing: Hearing) -> Moves:
    """Every pair of candidate stops of neighbouring notes, whoever plays; of ``hearing`` which finger slides counts."""
    wide = np.diff(begins)
    pair_begins = np.zeros(links.apart_s.size + 1, np.int64)
    np.cumsum(wide[:-1] * wide[1:], out=pair_begins[1:])
    pairs = pair_begins[-1]
    which, audible, shares, fit = (
        np.empty(pairs, np.uint16),
        np.empty(pairs, np.uint8),
        np.zeros((MOST_SHARES, 2)),
        np.empty(pairs),
    )
    most = int(min(pairs + 1, MOST_SETS))
    sets, masks = np.empty((most, MOST_AT_ONCE), np.uint8), np.empty(most, np.uint64)
    slots, same_as = np.full(2 << most.bit_length(), -1), _repeats(begins, stops, links.rise)
    known = _moves(table, begins, stops, links, same_as, pair_begins, which, slots, masks, sets, audible, shares)
    _fits(table, begins, stops, links, slides, hearing, pair_begins, which, fit)
    return Moves(pair_begins, which, sets[:known].copy(), audible, shares, fit)


def _repeats(begins: Ints, stops: Ints, rise: Floats) -> Ints:
    """For each link the first one between the same stops: a melody keeps coming back to its intervals."""
    own = [stops[first:last].tobytes() for first, last in pairwise(begins.tolist())]
    found: dict[tuple[bytes, bytes, int], int] = {}
    links = zip(own, own[1:], np.round(rise).astype(int).tolist(), strict=False)
    return np.array([found.setdefault(link, t) for t, link in enumerate(links)], dtype=np.int64)


@compiled()
def _ease(begins, which, sets, doublings, rested, weights, by_time, now, made_at, factor, out):  # type: ignore[no-untyped-def]
    for t in range(begins.shape[0] - 1):
        # Few features, more sets of them, and many pairs: a factor for each, and no power for each pair.
        for f in range(weights.shape[0]):
            now[f] = math.exp((1.0 - rested[t]) * (weights[f] + doublings[t] * by_time[f]))
        for at in range(begins[t], begins[t + 1]):
            own = which[at]
            if made_at[own] != t:
                made_at[own] = t
                whole = 1.0
                for m in range(MOST_AT_ONCE):
                    f = sets[own, m]
                    if f == IMPOSSIBLE:
                        whole = math.exp(AFTER_A_REST) if rested[t] >= 0.5 else 0.0
                        break
                    if f == NONE:
                        break
                    whole *= now[f]
                factor[own] = whole
            out[at] = factor[own]


def ease(moves: Moves, *, doublings: Floats, rested: Floats, weights: Floats, by_time: Floats) -> Floats:
    """Weight of every pair by what the hand likes; ``doublings`` as in ``features``, of the time between the notes."""
    out, sets = np.empty(moves.which.size), len(moves.sets)
    now, made_at, factor = np.empty(weights.size), np.full(sets, -1), np.empty(sets)
    _ease(moves.begins, moves.which, moves.sets, doublings, rested, weights, by_time, now, made_at, factor, out)
    return out


@compiled()
def _with_more(begins, which, sets, usual, rested, more, log, factor, out):  # type: ignore[no-untyped-def]
    for s in range(1, sets.shape[0]):
        for m in range(MOST_AT_ONCE):
            f = sets[s, m]
            if f == NONE:
                break
            log[s] += more[f]
    for s in range(sets.shape[0]):
        factor[s] = math.exp(log[s])
    for t in range(begins.shape[0] - 1):
        first, last = begins[t], begins[t + 1]
        if rested[t] == 0.0:
            for at in range(first, last):
                out[at] = usual[at] * factor[which[at]]
        else:
            for at in range(first, last):
                out[at] = usual[at] * math.exp((1.0 - rested[t]) * log[which[at]])


def with_more(moves: Moves, usual: Floats, *, rested: Floats, more: Floats) -> Floats:
    """Weight of every pair with ``more`` (len(MOVE_NAMES),) of the weights than those that made it ``usual``."""
    out, sets = np.empty(usual.size), len(moves.sets)
    _with_more(moves.begins, moves.which, moves.sets, usual, rested, more, np.zeros(sets), np.empty(sets), out)
    return out


@compiled()
def _evidence(begins, audible, shares, fit, links: Links, confidence, hearing: Hearing, heard, out):  # type: ignore[no-untyped-def]
    for t in range(links.apart_s.shape[0]):
        k = links.slide[t]
        shift = links.slurred[t] * hearing.slurred + (1.0 - links.slurred[t]) * hearing.detached
        for which in range(heard.shape[0]):
            heard[which] = shares[which, 0] + shares[which, 1] * shift
        # Each loop is simple enough for several pairs to go at once.
        if k >= 0:
            slid, stayed = confidence[k] / SLIDE_PRIOR, (1.0 - confidence[k]) / (1.0 - SLIDE_PRIOR)
            for at in range(begins[t], begins[t + 1]):
                share = heard[audible[at]]
                out[at] = slid * share * fit[at] + stayed * (1.0 - share) + LEAST_EVIDENCE
        else:
            played_on = 1.0 - links.rested[t]
            for which in range(heard.shape[0]):
                heard[which] = 1.0 - heard[which] * played_on + LEAST_EVIDENCE
            for at in range(begins[t], begins[t + 1]):
                out[at] = heard[audible[at]]


def evidence(moves: Moves, links: Links, slides: Slides, hearing: Hearing) -> Floats:
    """Likelihood of the slides heard and not heard under every pair, by how often this player's shifts are heard."""
    out = np.empty(moves.fit.size)
    heard = np.empty(MOST_SHARES)
    _evidence(moves.begins, moves.audible, moves.shares, moves.fit, links, slides.confidence, hearing, heard, out)
    return out
