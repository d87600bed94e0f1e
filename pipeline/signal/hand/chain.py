"""The compiled chain over stops: candidates of each note, weights of each move, and evidence.

Kernels are plain loops over arrays that thin functions of the same name allocate: they compile in a fraction of the
time that array expressions take.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.compiled import bell, compiled
from pipeline.signal.hand.features import MOST_AT_ONCE, STOP_NAMES, move_features, scale_membership
from pipeline.signal.hand.fingerboard import LARGEST_OFFSET
from pipeline.signal.hand.heard import Hearing, audible_share, kinds_by_break, slide_fit
from pipeline.units import Floats

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]

OFF_PITCH = 0.7
"""Semitones that a note may be off the pitch of a stop."""
STOPPED_SPREAD, OPEN_SPREAD = 0.25, 0.1
"""Spread in semitones of stopped notes about equal temperament, and of open strings and harmonics about their
nominal pitch (common practice, no source)."""
ANY_PITCH = 0.02  # density of a pitch that no stop explains, per semitone over root two pi (common practice, no source)
VIBRATO_ON_OPEN = 0.02  # share of open strings on which a vibrato is measured: errors (common practice, no source)
VIBRATO_ON_HARMONIC = 0.1  # the same of harmonics (common practice, no source)
SLIDE_PRIOR = 0.2
"""Share of slides that a confidence in one already contains; dividing by it leaves the evidence, as with kinds."""
LEAST_EVIDENCE = 1e-9  # so that nothing is impossible for one wrong measure
WIDEST_BREAK = LARGEST_OFFSET + 1.0
"""Semitones between two fingers beyond which a measured break is an error."""
AFTER_A_REST = -1.5
"""Log weight, after a rest that frees the hand, of what no hand can do without one (common practice, no source)."""
MOST_SHARES = 16
"""More than ``audible_share`` can tell apart: a byte a pair says which, since there are millions of pairs."""
NONE, IMPOSSIBLE = 255, 254
"""What stands in the features of a move where there are no more, and first where no hand can make it."""


class Arrays(NamedTuple):
    """The open strings, the stop table (see ``fingerboard.StopTable``) and ``fingerboard.close_places``."""

    open_midi: Floats
    first: Ints
    string: Ints
    finger: Ints
    place: Ints
    stop: Ints
    harmonic: Bools
    reach: Floats
    close: Bools


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


class Candidates(NamedTuple):
    """Candidate stops of each note.

    ``begins`` (notes + 1) is where each note's stops begin, ``stops`` their indices in the stop table, ``owner`` the
    note of each; ``sound`` is the log weight of what the pitch says, ``seen`` that of what vibrato or its absence says.
    A note that no string can sound has no stops.
    """

    begins: Ints
    stops: Ints
    owner: Ints
    sound: Floats
    seen: Floats


class Moves(NamedTuple):
    """Every pair of candidate stops of neighbouring notes, row by row (first note's candidates).

    ``begins`` (links + 1) is where each link's pairs begin, ``features`` (pairs, MOST_AT_ONCE) which of
    ``features.MOVE_FEATURES`` each has. ``audible`` (pairs,) is the row of ``shares`` (MOST_SHARES, 2) that tells with
    what probability a slide is heard: the first number, and the second times that of a plain shift. ``fit`` (pairs,)
    is the likelihood of the slide heard, 1 where none is.
    """

    begins: Ints
    features: Bytes
    audible: Bytes
    shares: Floats
    fit: Floats


@compiled()
def _gather(table: Arrays, midi, vibrato, vibrato_share, begins, stops, owner, sound, seen):  # type: ignore[no-untyped-def]
    count = 0
    highest = table.first.shape[1] - 2
    for i in range(midi.shape[0]):
        for string in range(table.open_midi.shape[0]):
            above = midi[i] - table.open_midi[string]
            low = math.floor(above)
            for sounding in range(low, low + 2):
                off = above - sounding
                if sounding < 0 or sounding > highest or abs(off) >= OFF_PITCH:
                    continue
                for k in range(table.first[string, sounding], table.first[string, sounding + 1]):
                    opened, touched = table.finger[k] == 0, table.harmonic[k]
                    width = OPEN_SPREAD if opened or touched else STOPPED_SPREAD
                    stops[count] = k
                    owner[count] = i
                    sound[count] = math.log(bell(off / width) / width + ANY_PITCH)
                    seen[count] = 0.0
                    if math.isfinite(vibrato[i]):
                        share = vibrato_share
                        if opened:
                            share = VIBRATO_ON_OPEN
                        elif touched:
                            share = VIBRATO_ON_HARMONIC
                        seen[count] = math.log(share if vibrato[i] > 0.5 else 1.0 - share)
                    count += 1
        begins[i + 1] = count
    return count


def gather(table: Arrays, midi: Floats, vibrato: Floats, vibrato_share: float) -> Candidates:
    """Candidate stops of each note.

    ``vibrato`` is 1 where there is one, 0 where there is none, NaN where the note is too short to tell.
    """
    most = 2 * table.open_midi.size * int(np.diff(table.first, axis=1).max()) * max(midi.size, 1)
    begins = np.zeros(midi.size + 1, np.int64)
    stops, owner = np.empty((2, most), np.int64)
    sound, seen = np.empty((2, most))
    count = _gather(table, midi, vibrato, vibrato_share, begins, stops, owner, sound, seen)
    held = slice(count)
    return Candidates(begins, stops[held].copy(), owner[held].copy(), sound[held].copy(), seen[held].copy())


def features_of(notes: Candidates, table: Arrays, of_stops: Floats, midi: Floats) -> Floats:
    """Features (candidates, len(STOP_NAMES)) of the candidates: those of their stops, and what hangs on the notes."""
    found: Floats = of_stops[notes.stops]
    column = {name: found[:, k] for k, name in enumerate(STOP_NAMES)}
    string, finger, place = (part[notes.stops] for part in (table.string, table.finger, table.place))
    first_finger = np.round(table.open_midi[string] + place).astype(np.int64)
    column["off_scale"][:] = 1.0 - scale_membership(midi)[notes.owner, first_finger % 12]
    rise = np.sign(np.round(np.diff(midi)))
    before, after = np.concatenate([[0.0], rise])[notes.owner], np.concatenate([rise, [0.0]])[notes.owner]
    for each in (1, 2):
        column[f"finger_{each}_trough"][:] = (finger == each) & (before < 0) & (after > 0)
    column["finger_4_peak"][:] = (finger == 4) & (before > 0) & (after < 0)
    column["finger_4_before_higher"][:] = (finger == 4) & (after > 0)
    return found


@compiled()
def _note_weights(begins, logs, weights):  # type: ignore[no-untyped-def]
    whole = 0.0
    for i in range(begins.shape[0] - 1):
        if begins[i + 1] > begins[i]:
            best = logs[begins[i]]
            for j in range(begins[i], begins[i + 1]):
                best = max(best, logs[j])
            for j in range(begins[i], begins[i + 1]):
                weights[j] = math.exp(logs[j] - best)
            whole += best
    return whole


def note_weights(begins: Ints, logs: Floats) -> tuple[Floats, float]:
    """Weights of the candidates, the best of each note 1, and the log of all that was divided out."""
    weights = np.empty(logs.size)
    return weights, float(_note_weights(begins, logs, weights))


@compiled()
def _moves(  # type: ignore[no-untyped-def]
    table: Arrays,
    begins,
    stops,
    links: Links,
    slides: Slides,
    hearing: Hearing,
    out,
    features,
    audible,
    shares,
    fit,
    row,
):
    known = 0
    for t in range(links.apart_s.shape[0]):
        at = out[t]
        k = links.slide[t]
        rise = round(links.rise[t])
        for i in range(begins[t], begins[t + 1]):
            a = stops[i]
            one = (table.string[a], table.finger[a], table.place[a], table.stop[a])
            for j in range(begins[t + 1], begins[t + 2]):
                b = stops[j]
                other = (table.string[b], table.finger[b], table.place[b], table.stop[b])
                # A view of the row of ``features`` would have its owner counted for every pair.
                count = move_features(one, other, rise, table.close[table.place[b]], row)
                if count < 0:
                    row[0] = IMPOSSIBLE
                    count = 1
                for m in range(MOST_AT_ONCE):
                    features[at, m] = row[m] if m < count else NONE
                by_chance, by_shift = audible_share(one, other)
                which = 0
                while which < known and (shares[which, 0] != by_chance or shares[which, 1] != by_shift):
                    which += 1
                if which == known:
                    shares[which, 0], shares[which, 1] = by_chance, by_shift
                    known += 1
                audible[at] = which
                fit[at] = 1.0
                if k >= 0 and features[at, 0] != IMPOSSIBLE:
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
                at += 1


def moves(table: Arrays, begins: Ints, stops: Ints, links: Links, slides: Slides, hearing: Hearing) -> Moves:
    """Every pair of candidate stops of neighbouring notes, whoever plays; of ``hearing`` which finger slides counts."""
    wide = np.diff(begins)
    pair_begins = np.zeros(links.apart_s.size + 1, np.int64)
    np.cumsum(wide[:-1] * wide[1:], out=pair_begins[1:])
    features = np.empty((pair_begins[-1], MOST_AT_ONCE), np.uint8)
    audible, fit, shares = np.empty(pair_begins[-1], np.uint8), np.empty(pair_begins[-1]), np.zeros((MOST_SHARES, 2))
    row = np.zeros(MOST_AT_ONCE, np.uint8)
    _moves(table, begins, stops, links, slides, hearing, pair_begins, features, audible, shares, fit, row)
    return Moves(pair_begins, features, audible, shares, fit)


@compiled()
def _ease(begins, features, doublings, rested, weights, by_time, now, out):  # type: ignore[no-untyped-def]
    for t in range(begins.shape[0] - 1):
        # Few features and many pairs: a factor for each feature, and no power for each pair.
        for f in range(weights.shape[0]):
            now[f] = math.exp((1.0 - rested[t]) * (weights[f] + doublings[t] * by_time[f]))
        for at in range(begins[t], begins[t + 1]):
            if features[at, 0] == IMPOSSIBLE:
                out[at] = math.exp(AFTER_A_REST) if rested[t] >= 0.5 else 0.0
                continue
            whole = 1.0
            for m in range(MOST_AT_ONCE):
                f = features[at, m]
                if f == NONE:
                    break
                whole *= now[f]
            out[at] = whole


def ease(moves: Moves, *, doublings: Floats, rested: Floats, weights: Floats, by_time: Floats) -> Floats:
    """Weight of every pair by what the hand likes; ``doublings`` as in ``features``, of the time between the notes."""
    out = np.empty(moves.fit.size)
    _ease(moves.begins, moves.features, doublings, rested, weights, by_time, np.empty(weights.size), out)
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
