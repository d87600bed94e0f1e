"""The penalised conditional likelihood of fingerings under the hand's chain, and its gradient.

Known of each note are its string and finger, and by the position written down nearly always the place of the hand;
what is left open is summed over. The gradient of the log likelihood is what the features are expected to be given the
fingering, less what they are expected to be without it, both by forward-backward (C. Sutton and A. McCallum, "An
introduction to conditional random fields", 2012, section 5). Several players of one piece share all but their own part.

Links between the same two pitches in the same time have the same weights, so each such block is computed once.
"""

from dataclasses import dataclass, field

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import KINDS
from pipeline.signal.hand import chain, moves
from pipeline.signal.hand.chain import Ints, Slides
from pipeline.signal.hand.features import MOST_AT_ONCE, MOVE_NAMES, STOP_NAMES, doublings
from pipeline.signal.hand.fingerboard import fingerboard, position_numbers
from pipeline.signal.hand.heard import USUAL
from pipeline.signal.hand.moves import IMPOSSIBLE, NONE, Bytes, Links, Moves
from pipeline.signal.hand.passage_chain import arrays
from pipeline.training.fingerings import Fingering, laid_beside
from pipeline.units import Floats

STOPS, MOVES = len(STOP_NAMES), len(MOVE_NAMES)
SIZE = 2 * STOPS + 2 * MOVES
LEAST_WAY = 1e-8
"""Ways less likely than this up to a note, against all, are left out."""
UNKNOWN = -1
UNHEARD = 1e-3
"""What a way counts that lets a shift be heard where none was, or none where one was (common practice, no source)."""
Takes = list[tuple[str, str]]
"""Players and pieces."""
NO_SLIDES = Slides(np.zeros((0, len(KINDS))), *(np.zeros(0) for _ in range(5)))


def parts(weights: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """The four parts of a vector of weights (SIZE,): stops, their change by time, moves, their change by time."""
    return (
        weights[:STOPS],
        weights[STOPS : 2 * STOPS],
        weights[2 * STOPS : 2 * STOPS + MOVES],
        weights[2 * STOPS + MOVES :],
    )


@dataclass
class Blocks:
    """Every link between two pitches in a time, once; ``begins`` is where each one's pairs begin."""

    instrument: str
    known: dict[tuple[int, int, float], int] = field(default_factory=dict)
    which: list[Ints] = field(default_factory=list)
    sets: list[Bytes] = field(default_factory=list)
    known_sets: int = 0
    travels: list[Bytes] = field(default_factory=list)
    apart: list[float] = field(default_factory=list)
    begins: list[int] = field(default_factory=lambda: [0])

    def at(self, one: int, other: int, apart: float) -> int:
        """Where the pairs of a link begin."""
        key = (one, other, round(apart, 3))
        if key not in self.known:
            table, _ = arrays(fingerboard(self.instrument))
            midi = np.array([one, other], dtype=np.float64)
            stops = chain.gather(table, midi, np.full(2, np.nan), 0.5)
            links = Links(np.ones(1), np.zeros(1), np.zeros(1), np.diff(midi), np.full(1, -1))
            pairs = moves.moves(table, stops.begins, stops.stops, links, NO_SLIDES, USUAL)
            self.known[key] = self.begins[-1]
            self.which.append(self.known_sets + pairs.which.astype(np.int64))
            self.sets.append(pairs.sets)
            self.known_sets += len(pairs.sets)
            self.travels.append((pairs.shares[pairs.audible, 1] > 0.0).astype(np.uint8))
            self.apart.append(apart)
            self.begins.append(self.begins[-1] + pairs.which.size)
        return self.known[key]


@dataclass(frozen=True)
class Piece:
    """One piece and what its players do: ``allowed`` (candidates,) bool by player, ``truth`` (n,) string * 5 + finger.

    Unknown notes are -1 in ``truth`` and leave all candidates allowed.
    """

    name: str
    begins: Ints
    stops: Ints
    owner: Ints
    features: Floats
    long: Floats
    at: Ints
    allowed: dict[str, np.ndarray]
    truth: dict[str, Ints]
    travelled: dict[str, Ints]


def piece_of(fingerings: list[Fingering], blocks: Blocks) -> Piece:
    """One piece from the fingerings of its players; the first one's notes count."""
    first = fingerings[0]
    table, of_stops = arrays(fingerboard(first.instrument))
    midi = first.midi.astype(np.float64)
    notes = chain.gather(table, midi, np.full(midi.size, np.nan), 0.5)
    features = chain.features_of(notes, table, of_stops, midi)
    long = doublings(first.length_s)
    string, finger, place = (part[notes.stops] for part in (table.string, table.finger, table.place))
    names = [position_numbers(p) for p in range(int(table.place.max()) + 1)]
    allowed, truth, travelled = {}, {}, {}
    for each in fingerings:
        beside = laid_beside(first, each)
        wrong = each.misread()
        open_to = np.ones(notes.stops.size, dtype=np.bool_)
        known = np.full(midi.size, -1, dtype=np.int64)
        for i, j in enumerate(beside):
            if j < 0 or wrong[j]:
                continue
            own = slice(notes.begins[i], notes.begins[i + 1])
            fits = (string[own] == each.string[j]) & (finger[own] == each.finger[j])
            named = fits & np.array([each.position[j] in names[p] for p in place[own]])
            known[i] = each.string[j] * 5 + each.finger[j]
            if fits.any():
                open_to[own] = named if named.any() and each.finger[j] else fits
        allowed[each.player], truth[each.player] = open_to, known
        travelled[each.player] = _travelled(each, beside, known)
    at = [blocks.at(int(a), int(b), float(u)) for a, b, u in zip(first.midi, first.midi[1:], long, strict=False)]
    return Piece(
        first.piece,
        notes.begins,
        notes.stops,
        notes.owner,
        features,
        long[notes.owner],
        np.array(at, dtype=np.int64),
        allowed,
        truth,
        travelled,
    )


def _travelled(each: Fingering, beside: Ints, known: Ints) -> Ints:
    """(links,) whether a finger travels along the string to the next note: 1, 0, or -1 where that is not known.

    ``beside`` is each note of the piece among the fingering's own, ``known`` -1 where it is not one of them.
    """
    one, other = beside[:-1], beside[1:]
    string, finger, place, midi = (part for part in (each.string, each.finger, each.place, each.midi))
    stopped = (finger[one] > 0) & (finger[other] > 0)
    along = stopped & (string[one] == string[other]) & (midi[one] != midi[other])
    moved = (np.abs(place[other] - place[one]) > 1) | (finger[one] == finger[other])
    placed = ~along | ((place[one] >= 0) & (place[other] >= 0))
    told = (known[:-1] >= 0) & (known[1:] >= 0) & placed
    found: Ints = np.where(told, along & moved, UNKNOWN)
    return found


class Likelihood:
    """The log likelihood of fingerings of several pieces as a function of the weights."""

    def __init__(self, fingerings: list[Fingering]) -> None:
        blocks = Blocks(fingerings[0].instrument)
        names = sorted({each.piece for each in fingerings})
        self.pieces = {name: piece_of([f for f in fingerings if f.piece == name], blocks) for name in names}
        which, sets = np.concatenate(blocks.which), np.concatenate(blocks.sets)
        self._travels = np.concatenate(blocks.travels)
        self._begins = np.array(blocks.begins, dtype=np.int64)
        self._apart = np.array(blocks.apart)
        self._moves = Moves(self._begins, which, sets, self._travels, np.zeros((0, 2)), np.zeros(0))
        self._pairs, self._expected = np.empty((2, which.size))

    def posterior(self, weights: Floats, name: str, *, heard_of: str | None = None) -> Floats:
        """Probability of each candidate of a piece, (candidates,), with no shift heard, or every one of a player."""
        self._weigh(weights)
        piece = self.pieces[name]
        told = np.full(piece.at.size, UNKNOWN) if heard_of is None else piece.travelled[heard_of]
        return self._solve(piece, self._stop_weights(piece, weights), 0.0, told)[1]

    def drawn(self, weights: Floats, name: str, rng: np.random.Generator) -> Ints:
        """A fingering of a piece drawn from the model: the stop of each note, (n,) indices in the stop table."""
        self._weigh(weights)
        piece = self.pieces[name]
        own = self._stop_weights(piece, weights)
        before, after, ahead = np.zeros((3, own.size))
        none = np.full(piece.at.size, UNKNOWN)
        _solve(piece.begins, own, self._pairs, piece.at, self._travels, none, self._expected, 0.0, before, after, ahead)
        b = piece.begins
        chosen = np.empty(b.size - 1, dtype=np.int64)
        share = before[b[-2] :]
        for t in range(b.size - 2, -1, -1):
            chosen[t] = int(rng.choice(share.size, p=share / share.sum()))
            if t:
                wide = b[t + 1] - b[t]
                rows = piece.at[t - 1] + np.arange(b[t] - b[t - 1]) * wide + chosen[t]
                share = before[b[t - 1] : b[t]] * self._pairs[rows]
        found: Ints = piece.stops[b[:-1] + chosen]
        return found

    def value(self, weights: Floats, *, takes: Takes) -> tuple[float, Floats]:
        """Log likelihood of the fingerings of some players and pieces, and its gradient (SIZE,)."""
        self._weigh(weights)
        self._expected[:] = 0.0
        total = 0.0
        slope = np.zeros(SIZE)
        for name in sorted({piece for _, piece in takes}):
            piece = self.pieces[name]
            own = self._stop_weights(piece, weights)
            used = [player for player, of in takes if of == name]
            none = np.full(piece.at.size, UNKNOWN)
            whole, chance = self._solve(piece, own, -float(len(used)), none)
            more = -len(used) * chance
            for player in used:
                log, given = self._solve(piece, own * piece.allowed[player], 1.0, none)
                total += log - whole
                more += given
            slope[:STOPS] += more @ piece.features
            slope[STOPS : 2 * STOPS] += (more * piece.long) @ piece.features
        _, _, move, by_time = parts(slope)
        moves_of = self._moves
        _gradient(self._begins, moves_of.which, moves_of.sets, self._apart, self._expected, move, by_time)
        return total, slope

    def _weigh(self, weights: Floats) -> None:
        _, _, move, by_time = parts(weights)
        none = np.zeros(self._apart.size)
        self._pairs = moves.ease(self._moves, doublings=self._apart, rested=none, weights=move, by_time=by_time)

    def _stop_weights(self, piece: Piece, weights: Floats) -> Floats:
        stop, by_time, _, _ = parts(weights)
        found, _ = chain.note_weights(piece.begins, piece.features @ stop + piece.long * (piece.features @ by_time))
        return found

    def _solve(self, piece: Piece, own: Floats, scale: float, told: Ints) -> tuple[float, Floats]:
        before, after, ahead = np.zeros((3, own.size))
        log = _solve(
            piece.begins, own, self._pairs, piece.at, self._travels, told, self._expected, scale, before, after, ahead
        )
        if not np.isfinite(log):
            raise ValueError(f"{piece.name}: no hand can play a fingering of it")
        return log, after


@compiled()
def _gradient(begins, which, sets, apart, expected, move, by_time):  # type: ignore[no-untyped-def]
    for t in range(apart.shape[0]):
        for at in range(begins[t], begins[t + 1]):
            share = expected[at]
            own = which[at]
            if share != 0.0 and sets[own, 0] != IMPOSSIBLE:
                for m in range(MOST_AT_ONCE):
                    f = sets[own, m]
                    if f == NONE:
                        break
                    move[f] += share
                    by_time[f] += share * apart[t]


@compiled()
def _solve(begins, own, pairs, at, travels, told, expected, scale, before, after, ahead):  # type: ignore[no-untyped-def]
    """Forward-backward; ``after`` ends as the probability of each candidate, ``expected`` gains ``scale`` times that
    of each pair. Gives the log of the summed weights, -inf where there is no way."""
    notes = begins.shape[0] - 1
    log = 0.0
    for t in range(notes):
        first, wide = begins[t], begins[t + 1] - begins[t]
        if t == 0:
            for j in range(wide):
                before[j] = own[j]
        else:
            heard = told[t - 1]
            for i in range(begins[t - 1], first):
                if before[i] > LEAST_WAY:
                    row = at[t - 1] + (i - begins[t - 1]) * wide
                    if heard == UNKNOWN:
                        for j in range(wide):
                            before[first + j] += before[i] * pairs[row + j]
                    else:
                        for j in range(wide):
                            fits = 1.0 if travels[row + j] == heard else UNHEARD
                            before[first + j] += before[i] * pairs[row + j] * fits
            for j in range(wide):
                before[first + j] *= own[first + j]
        whole = 0.0
        for j in range(wide):
            whole += before[first + j]
        if whole <= 0.0:
            return -np.inf
        for j in range(wide):
            before[first + j] /= whole
        log += np.log(whole)
    for j in range(begins[notes - 1], begins[notes]):
        after[j] = 1.0
    for t in range(notes - 2, -1, -1):
        first, wide = begins[t + 1], begins[t + 2] - begins[t + 1]
        heard = told[t]
        for j in range(wide):
            ahead[j] = own[first + j] * after[first + j]
        whole = 0.0
        for i in range(begins[t], first):
            if before[i] > LEAST_WAY:
                row = at[t] + (i - begins[t]) * wide
                total = 0.0
                if heard == UNKNOWN:
                    for j in range(wide):
                        total += pairs[row + j] * ahead[j]
                else:
                    for j in range(wide):
                        fits = 1.0 if travels[row + j] == heard else UNHEARD
                        total += pairs[row + j] * ahead[j] * fits
                after[i] = total
                whole += total * before[i]
        for i in range(begins[t], first):
            if before[i] > LEAST_WAY and scale != 0.0:
                row = at[t] + (i - begins[t]) * wide
                part = scale * before[i] / whole
                if heard == UNKNOWN:
                    for j in range(wide):
                        expected[row + j] += part * pairs[row + j] * ahead[j]
                else:
                    for j in range(wide):
                        fits = 1.0 if travels[row + j] == heard else UNHEARD
                        expected[row + j] += part * pairs[row + j] * ahead[j] * fits
            after[i] /= whole
    for j in range(own.shape[0]):
        after[j] *= before[j]
    return log
