"""The hand through a whole passage: a probability for each string and finger of each note, and the best paths.

A chain (conditional random field: J. Lafferty, A. McCallum and F. Pereira, 2001) over stops: pitch and vibrato weigh
each stop, learned weights of what players like (``weights``) each stop and move, slides heard and not heard each move.
Long rests cut the chain; an open string frees the hand. Which finger slides and how much is played with vibrato are
estimated from the take itself. How often this player's shifts are heard is not known either, nor what the player's
habits are. So the weights are first drawn to the take's own habits (``habits``); then the chain is solved for players
from "every shift heard" to "none" and for every kind of player that was learned, and the answers are mixed by the
likelihood of what is heard of the take under each, the summed weight of all ways with it against that without, so that
a recording on which nothing slides does not count as evidence that nobody shifted. Of habits a take says less than its
number of notes makes it seem (``NOTES_OF_A_HABIT``).
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import softmax

from pipeline.signal.hand import chain, habits, reasons, ways
from pipeline.signal.hand.chain import Arrays, Ints
from pipeline.signal.hand.fingerboard import Fingerboard
from pipeline.signal.hand.heard import ARRIVING, DEPARTING, TWO, USUAL, Hearing
from pipeline.signal.hand.passage_chain import PassageChain, arrays
from pipeline.signal.hand.played_line import Line, passages, vibrato_share
from pipeline.signal.hand.weights import NO_SCHOOL, School, Weights, of_players
from pipeline.units import Floats

TOUCHED = 1e-6
"""What a touched harmonic counts beside a stop when the place of a string and finger is chosen."""
HEARD_ODDS = ((60.0, 0.15), (6.0, 0.2), (1.0, 0.3), (0.2, 0.2), (0.02, 0.15))
"""Players whose every shift is heard to those who hide all: factor on the odds of hearing one, and share of players
(common practice, no source)."""
LEAST_STOP = 1e-6
"""Stops less likely than this for the middle player, with what is heard and without it, are left out."""
LEAST_PAIR = 1e-4
"""Pairs of stops less likely than this are left out (common practice, no source)."""
NOTES_OF_A_HABIT = 100
"""Notes of a take from which on what is heard of it tells little more of the kind of player. Notes are far from
independent and kinds far from true: in full, the evidence of a long take always settles on one kind, and answers to
takes held out are worse than with every kind by its share. The power m / (m + n) for n notes is that of J. Miller and
D. Dunson, "Robust Bayesian inference via coarsening", JASA 114, 2019, section 2; m by trial (50 to 200 do alike)."""
LEAST_PLAYER = 0.01
"""Kinds of player less likely than this, against the likeliest, are left out."""
PAIRS_HELD = 10_000_000
"""Pairs of stops up to which passages are held as played, in a gigabyte; those of two hours would take many. A side of
five minutes has some two millions."""
PRIOR_SLIDES = 6.0
"""Strength, in slides, of what ``heard.USUAL`` says of the kinds against what the take shows (no source)."""


class Pair(NamedTuple):
    """Two stops of one string joined by a slide: string index, fingers, places, probability in the passage."""

    string: int
    from_finger: int
    to_finger: int
    from_place: int
    to_place: int
    probability: float


@dataclass(frozen=True)
class PassageHand:
    """What the hand did.

    Attributes
    ----------
    probability : (n, strings, fingers) probability of each string and finger (0 open, 5 the thumb); a note that
        the instrument cannot play has zeros.
    reasons : (n, 3) what speaks for the likeliest of them, as in ``reasons.log_factors``; NaN for a note that the
        instrument cannot play.
    place : (n, strings, fingers) likeliest place of the hand with them, semitones above the open string; -1 for none.
    harmonic : (n, strings, fingers) share of that probability in which the string is only touched.
    shifted : (n,) probability that the hand moved by more than a semitone on its way to the note; NaN where the
        passage begins.
    same_string : (n,) probability that the note is on the string of the one before.
    chance : (n,) probability of a shift along one string between two stopped notes: the chance to slide that the
        hand gives.
    heard : share of such shifts that the player lets be heard, half of them under a slur, as the take tells it.
    paths : (k, n, 3) string, finger and place along the best paths of each passage, -1 where there is none.
    path_logs : (k,) their log weights, summed over passages.
    pairs : for each slide, its pairs of stops, likeliest first.
    """

    probability: Floats
    reasons: Floats
    place: Ints
    harmonic: Floats
    shifted: Floats
    same_string: Floats
    chance: Floats
    heard: float
    paths: Ints
    path_logs: Floats
    pairs: tuple[tuple[Pair, ...], ...]


def reconstruct(line: Line, *, board: Fingerboard, school: School = NO_SCHOOL, paths: int = 3) -> PassageHand:
    """Strings, fingers and places of a line.

    Parameters
    ----------
    line : notes and slides of one take.
    board : the instrument as tuned.
    school : what the player's school adds to the learned weights.
    paths : how many of the best paths to give.
    """
    return reconstruct_with(of_players(board.instrument, school), line, board=board, paths=paths)


def reconstruct_with(kinds: Sequence[Weights], line: Line, *, board: Fingerboard, paths: int = 3) -> PassageHand:
    """``reconstruct`` for the given kinds of player, which differ in what they like at a middling tempo."""
    line = replace(line, slides=chain.looked_at(line.slides))
    usual, share = _own_kinds(line), vibrato_share(line, board=board)
    # One by one: with all of their stops passages are the largest that there is.
    whole = [
        PassageChain.of(line, span, board=board, middle=kinds[0], heard=usual, share=share).likely(
            usual, least=LEAST_STOP
        )
        for span in passages(line, board=board)
    ]
    hearings = {_heard(usual, odds): share for odds, share in HEARD_ODDS}
    heard = _hearing_chances(_AsPlayed(whole, kinds[:1], hearings), hearings)
    likeliest = max(heard, key=heard.__getitem__)
    more, whole = habits.own_weights(whole, kinds[0], likeliest)
    kinds = [kind.with_more(*more) for kind in kinds]
    played: Iterable[_Played] = _AsPlayed(whole, kinds, heard)
    if sum(passage.moves.fit.size for passage in whole) <= PAIRS_HELD:
        played = list(played)
    chances = _kind_chances(played, kinds, likeliest, notes=line.midi.size)
    players = [_Player(k, hearing) for k in range(len(kinds)) for hearing in heard]
    chance = _likely(np.array([chances[player.kind] * heard[player.hearing] for player in players]))
    return _collect(line, played, players=players, chance=chance, table=arrays(board)[0], paths=paths)


@dataclass(frozen=True)
class _Player:
    """One player: which kind, and how often shifts are heard."""

    kind: int
    hearing: Hearing


@dataclass(frozen=True)
class _Played:
    """A passage as each kind of player would play it, and what is heard of it as each would let it be heard.

    ``ease``, ``weights`` are by kind of player, ``told`` by hearing; ``logs`` is the log weight of all ways by kind:
    what vibrato says added to ``weights``, less all that ways have without what is heard.
    """

    passage: PassageChain
    ease: tuple[Floats, ...]
    weights: tuple[Floats, ...]
    told: dict[Hearing, Floats]
    logs: tuple[float, ...]

    @classmethod
    def of(cls, passage: PassageChain, kinds: Sequence[Weights], hearings: Iterable[Hearing]) -> "_Played":
        begins, links = passage.stops.begins, passage.moves.begins
        ease = tuple(passage.ease(kind) for kind in kinds)
        likings = passage.likings(kinds)
        seen = [passage.weights(liking) for liking in likings]
        unseen = [passage.weights(liking, vibrato=False) for liking in likings]
        # What is heard counts for a habit, not how many ways of playing it leaves open.
        logs = tuple(
            offset - ways.forward(begins, weights, pairs, links)[1] - out
            for (_, offset), (weights, out), pairs in zip(seen, unseen, ease, strict=True)
        )
        told = {hearing: passage.told(hearing) for hearing in hearings}
        return cls(passage, ease, tuple(weights for weights, _ in seen), told, logs)

    def log(self, player: _Player) -> float:
        """Log of how likely the player makes what is heard."""
        s = self.passage
        ease, told = self.ease[player.kind], self.told[player.hearing]
        found = ways.forward(s.stops.begins, self.weights[player.kind], ease, s.moves.begins, heard=told)[1]
        return found + self.logs[player.kind]

    def pairs(self, player: _Player) -> Floats:
        """Weight of every pair for one player, with what is heard."""
        found: Floats = self.ease[player.kind] * self.told[player.hearing]
        return found


@dataclass(frozen=True)
class _AsPlayed:
    """Passages as ``_Played``, worked out one by one whenever they are gone through: held together they are many
    times as large as what they are made from."""

    passages: Sequence[PassageChain]
    kinds: Sequence[Weights]
    hearings: Iterable[Hearing]

    def __iter__(self) -> Iterator[_Played]:
        return (_Played.of(passage, self.kinds, self.hearings) for passage in self.passages)


def _hearing_chances(middle: Iterable[_Played], hearings: dict[Hearing, float]) -> dict[Hearing, float]:
    """How likely each hearing is, by its share and by what is heard of a take of the middle kind of player.

    Kinds hardly differ in it; weights drawn to the take under one hearing would speak for that one.
    """
    logs = sum(np.array([each.log(_Player(0, hearing)) for hearing in hearings]) for each in middle)
    return {
        hearing: float(chance)
        for hearing, chance in zip(hearings, _likely(softmax(np.log([*hearings.values()]) + logs)), strict=True)
        if chance > 0.0
    }


def _kind_chances(played: Iterable[_Played], kinds: Sequence[Weights], hearing: Hearing, *, notes: int) -> Floats:
    """How likely each kind of player is by what is heard of a take of so many notes."""
    power = NOTES_OF_A_HABIT / (NOTES_OF_A_HABIT + notes)
    logs = sum(np.array([each.log(_Player(k, hearing)) for k in range(len(kinds))]) for each in played)
    found: Floats = softmax(np.log([kind.share for kind in kinds]) + power * logs)
    return found


def _likely(chance: Floats) -> Floats:
    """The chances of players, but for those much less likely than the likeliest."""
    kept = np.where(chance < LEAST_PLAYER * chance.max(), 0.0, chance)
    found: Floats = kept / kept.sum()
    return found


def _own_kinds(line: Line) -> Hearing:
    """A middling player with this take's own habit of which finger slides."""
    prior = np.array([USUAL.departing, USUAL.arriving, USUAL.two])
    used = line.slide[line.slide >= 0]
    kinds = (line.slides.kinds[used] * line.slides.confidence[used, None]).sum(axis=0)
    mixed = kinds[[DEPARTING, ARRIVING, TWO]] + PRIOR_SLIDES * prior
    departing, arriving, two = (float(share) for share in mixed / mixed.sum())
    return USUAL._replace(departing=departing, arriving=arriving, two=two)


def _heard(usual: Hearing, odds: float) -> Hearing:
    """The player with the odds of a shift being heard multiplied by ``odds``."""
    slurred = odds * usual.slurred / (1.0 - usual.slurred)
    detached = odds * usual.detached / (1.0 - usual.detached)
    return usual._replace(slurred=slurred / (1.0 + slurred), detached=detached / (1.0 + detached))


def _collect(
    line: Line, whole: Iterable[_Played], *, players: list[_Player], chance: Floats, table: Arrays, paths: int
) -> PassageHand:
    """The answers for each player, mixed by its ``chance``; the paths are those of the likeliest."""
    notes, strings, fingers = line.midi.size, table.open_midi.size, table.reach.shape[1]
    probability = np.zeros((notes, strings, fingers))
    harmonic = np.zeros((notes, strings, fingers))
    at_place = np.zeros((notes, strings, fingers, int(table.place.max()) + 1))
    summary = np.full((notes, 3), np.nan)
    pairs: list[tuple[Pair, ...]] = [()] * line.slides.confidence.size
    best = np.full((paths, notes, 3), -1, dtype=np.int64)
    logs = np.zeros(paths)
    speaks = np.full((notes, len(reasons.EVIDENCE)), np.nan)
    likeliest = players[int(np.argmax(chance))]
    for each in whole:
        s = each.passage
        begins, stops, links = s.stops.begins, s.stops.stops, s.moves.begins
        slid = np.flatnonzero(s.links.slide >= 0)
        joint = np.zeros(links[-1] if slid.size else 0)
        mixed, moved = np.zeros(stops.size), np.zeros((s.links.rise.size, 3))
        for k in np.flatnonzero(chance):
            player, share = players[k], float(chance[k])
            told, weights = each.pairs(player), each.weights[player.kind]
            found = ways.forward_backward(begins, weights, told, links)
            mixed += share * found.chance
            moved += share * ways.link_summary(table, s.stops, weights, told, found)
            ways.add_joint(begins, links, slid, weights, told, found, share, joint)
            if player is likeliest:
                chosen, path_logs = ways.best_paths(begins, weights, told, links, count=paths)
                way = np.stack([table.string[stops], table.finger[stops], table.place[stops]], axis=1)
                for rank in range(paths):
                    on = chosen[rank] >= 0
                    best[rank, s.first : s.last][on] = way[chosen[rank][on]]
                logs += path_logs
        owner = s.first + s.stops.owner
        string, finger, place = table.string[stops], table.finger[stops], table.place[stops]
        np.add.at(probability, (owner, string, finger), mixed)
        np.add.at(harmonic, (owner, string, finger), mixed * table.harmonic[stops])
        # A finger that only touches a harmonic says where the hand is where it cannot be pressed down there.
        np.add.at(at_place, (owner, string, finger, place), mixed * np.where(table.harmonic[stops], TOUCHED, 1.0))
        summary[s.first + 1 : s.last] = moved
        best_answers = probability[s.first : s.last].reshape(-1, strings * fingers).argmax(axis=1)
        pairs_of = (each.ease[likeliest.kind], each.pairs(likeliest))
        speaks[s.first : s.last] = reasons.log_factors(
            s.stops, string * fingers + finger, best_answers, each.weights[likeliest.kind], pairs_of, links
        )
        for t in slid.tolist():
            pairs[s.links.slide[t]] = _pairs(s, t, joint[links[t] : links[t + 1]], table)
    place = np.where(probability > 0, at_place.argmax(axis=3), -1)
    return PassageHand(
        probability=probability,
        reasons=speaks,
        place=place,
        harmonic=np.divide(harmonic, probability, out=np.zeros_like(harmonic), where=probability > 0),
        shifted=summary[:, 0],
        same_string=summary[:, 1],
        chance=summary[:, 2],
        heard=sum(
            float(share) * 0.5 * (player.hearing.slurred + player.hearing.detached)
            for player, share in zip(players, chance, strict=True)
        ),
        paths=best,
        path_logs=logs,
        pairs=tuple(pairs),
    )


def _pairs(s: PassageChain, t: int, joint: Floats, table: Arrays) -> tuple[Pair, ...]:
    begins, stops = s.stops.begins, s.stops.stops
    ones, others = stops[begins[t] : begins[t + 1]], stops[begins[t + 1] : begins[t + 2]]
    one_string = table.string[ones][:, None] == table.string[others][None, :]
    joint = joint.reshape(one_string.shape)
    rows, columns = np.nonzero((joint > LEAST_PAIR) & one_string)
    a, b, chance = ones[rows], others[columns], joint[rows, columns]
    parts = (table.string[b], table.finger[a], table.finger[b], table.place[a], table.place[b], chance)
    ranked = np.lexsort((parts[3], parts[2], parts[1], parts[0], -chance))
    return tuple(map(Pair, *(part[ranked].tolist() for part in parts)))
