"""The hand through a whole passage: a probability for each string and finger of each note, and the best paths.

A chain (conditional random field, solved like a hidden Markov model) over stops: pitch and vibrato weigh each
stop, playability and slides weigh each pair. Long rests cut the chain; an open string frees the hand. Which finger
slides and how much is played with vibrato are estimated from the take itself. How often this player's shifts are
heard is not known either, nor how gladly the player crosses to another string, how strictly the player takes what is
lightest for the hand, and whether the player looks ahead at all (``unforeseen``). So the chain is solved for habits
from "every shift" to "none", from ready crossers to lovers of one string, from the careless to the strict. The answers
are mixed by the likelihood of what is heard of the take under each habit, the summed weight of all ways with it against
that without, so that a recording on which nothing slides does not count as evidence that nobody shifted; where few
shifts are heard the answers are given with less confidence.
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.signal.hand import chain, no_lookahead
from pipeline.signal.hand.chain import Arrays, Candidates, Ints, Links, Moves, Slides, Ways
from pipeline.signal.hand.fingerboard import Fingerboard, stop_table
from pipeline.signal.hand.playability import ARRIVING, DEPARTING, TWO, Costs, Habits, entry_weights, scale_membership
from pipeline.units import Floats

LONG_NOTE_S = 0.3
"""From here on a note is long enough to show a vibrato."""
TOUCHED = 1e-6
"""What a touched harmonic counts beside a stop when the place of a string and finger is chosen."""
OFF_PITCH = 0.7
"""Semitones that a note may be off the pitch of a stop."""
VIBRATO_CENTS = 5.0
LEAST_PLAYER = 0.01
"""Kinds of player less likely than this, against the likeliest, are left out."""
# Strength, in slides, of what the settings say of the kinds against what the take shows.
PRIOR_SLIDES = 6.0


@dataclass(frozen=True)
class Line:
    """Notes and slides of one player in time order, as arrays.

    Attributes
    ----------
    midi : (n,) fractional MIDI of the notes.
    start_s, end_s : (n,) corrected time.
    vibrato_cents : (n,) NaN where none was found.
    slurred : (n,) probability that no new stroke begins the note; NaN where unknown.
    slide : (n,) index of the slide that leads into the note, -1 for none.
    slides : kinds, pitches and confidence of the slides.
    """

    midi: Floats
    start_s: Floats
    end_s: Floats
    vibrato_cents: Floats
    slurred: Floats
    slide: Ints
    slides: Slides


@dataclass(frozen=True)
class Pair:
    """Two stops joined by a slide, by string index, fingers and places, with their probability in the passage."""

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
    probability : (n, strings, 5) probability of each string and finger (0 open); a note that the instrument
        cannot play has zeros.
    place : (n, strings, 5) likeliest place of the hand with them, semitones above the open string; -1 for none.
    harmonic : (n, strings, 5) share of that probability in which the string is only touched.
    shifted : (n,) probability that the hand moved by more than a semitone on its way to the note; NaN where the
        passage begins.
    same_string : (n,) probability that the note is on the string of the one before.
    chance : (n,) probability of a shift along one string between two stopped notes: the chance to slide that the
        hand gives.
    paths : (k, n, 3) string, finger and place along the best paths of each passage, -1 where there is none.
    path_logs : (k,) their log weights, summed over passages.
    pairs : for each slide, its pairs of stops, likeliest first.
    """

    probability: Floats
    place: Ints
    harmonic: Floats
    shifted: Floats
    same_string: Floats
    chance: Floats
    paths: Ints
    path_logs: Floats
    pairs: tuple[tuple[Pair, ...], ...]


def passages(line: Line, *, board: Fingerboard, cut_s: float) -> list[tuple[int, int]]:
    """First and last + 1 note of each stretch without a rest beyond ``cut_s`` or a note off the instrument."""
    highest = max(board.open_midi) + int(stop_table(board).sounding.max())
    lowest = min(board.open_midi)
    found: list[tuple[int, int]] = []
    for i, midi in enumerate(line.midi):
        if not lowest - OFF_PITCH < midi < highest + OFF_PITCH:
            continue
        goes_on = found and found[-1][1] == i and line.start_s[i] - line.end_s[i - 1] <= cut_s
        if goes_on:
            found[-1] = (found[-1][0], i + 1)
        else:
            found.append((i, i + 1))
    return found


def vibrato_seen(line: Line) -> Floats:
    """1 where a long note has vibrato, 0 where it has none, NaN where it is too short to tell."""
    long = line.end_s - line.start_s >= LONG_NOTE_S
    has = np.nan_to_num(line.vibrato_cents) >= VIBRATO_CENTS
    return np.where(long | has, has.astype(np.float64), np.nan)


def vibrato_share(line: Line, *, board: Fingerboard) -> float:
    """Share of long notes with vibrato among those that cannot be open strings, drawn towards a half."""
    opened = np.array(board.open_midi)
    near = np.min(np.abs(line.midi[:, None] - opened[None, :]), axis=1) if line.midi.size else np.zeros(0)
    seen = vibrato_seen(line)[near > 0.6]
    seen = seen[np.isfinite(seen)]
    return float((seen.sum() + 2.0) / (seen.size + 4.0))


def reconstruct(line: Line, *, board: Fingerboard, costs: Costs, habits: Habits, paths: int = 3) -> PassageHand:
    """Strings, fingers and places of a line.

    Parameters
    ----------
    line : notes and slides of one take.
    board : the instrument as tuned.
    costs : weights of playability and evidence.
    habits : what players may be like; each is weighed by what is heard of the take.
    paths : how many of the best paths to give.
    """
    line = replace(line, slides=chain.looked_at(line.slides))
    table = arrays(board, costs, in_scale=scale_membership(line.midi))
    share = vibrato_share(line, board=board)
    spans = passages(line, board=board, cut_s=costs.cut_s)
    costs = _own_kinds(line, costs)
    whole = [_Passage.of(line, span, table=table, costs=costs, share=share) for span in spans]
    hearing = [_heard(costs, odds) for odds, _ in habits.heard]
    heard = [[passage.evidence(costs) for passage in whole] for costs in hearing]
    players, chance = _weighed(whole, heard, habits=habits, tempering=costs.tempering)
    audible = sum(
        share * hearing[player.hearing].audible_slurred for share, player in zip(chance, players, strict=True)
    )
    sure = costs.silent_tempering + (1.0 - costs.silent_tempering) * float(audible)
    return _collect(line, whole, heard, table=table, players=players, chance=chance, paths=paths, sure=sure)


def _weighed(
    whole: list["_Passage"], heard: list[list[Floats]], *, habits: Habits, tempering: float
) -> tuple[list["_Player"], Floats]:
    """Every kind of player, and how likely it is by what is heard of the take, by hearing and passage in ``heard``."""
    players: list[_Player] = []
    logs = []
    efforts = [(True, effort, share * (1.0 - habits.unforeseeing)) for effort, share in habits.effort]
    if habits.unforeseeing > 0.0:
        efforts.append((False, 1.0, habits.unforeseeing * sum(share for _, share in habits.effort)))
    for ahead, effort, share_of_efforts in efforts:
        for crossing, share_of_crossers in habits.crossing:
            player = _Player(effort * tempering, crossing, 0, ahead)
            ease = [passage.ease(player) for passage in whole]
            # What is heard counts for a habit, not how many ways of playing it leaves open.
            unheard = sum(p.log_whole(player.power, way, seen=False) for p, way in zip(whole, ease, strict=True))
            for k, (_, share_of_players) in enumerate(habits.heard):
                pairs = [way * said for way, said in zip(ease, heard[k], strict=True)]
                told = sum(p.log_whole(player.power, way, seen=True) for p, way in zip(whole, pairs, strict=True))
                players.append(replace(player, hearing=k))
                logs.append(told - unheard + np.log(share_of_efforts * share_of_crossers * share_of_players))
    chance: Floats = np.exp(np.array(logs) - max(logs))
    chance = np.where(chance < LEAST_PLAYER * chance.max(), 0.0, chance)
    return players, chance / chance.sum()


def arrays(board: Fingerboard, costs: Costs, *, in_scale: Floats) -> Arrays:
    """The stops of a fingerboard as the compiled chain takes them; ``in_scale`` as in ``scale_membership``."""
    table = stop_table(board, strained_weight=costs.strained_weight)
    return Arrays(
        np.array(board.open_midi),
        table.first,
        table.string,
        table.finger,
        table.place,
        table.stop,
        table.strained,
        table.harmonic,
        table.reach,
        entry_weights(board, costs, in_scale=in_scale),
    )


@dataclass(frozen=True)
class _Player:
    """One kind of player: the power of playability, the factor on crossings, which of ``Habits.heard``, and whether
    the player looks ahead."""

    power: float
    crossing: float
    hearing: int
    ahead: bool


@dataclass(frozen=True)
class _Passage:
    """One passage: its notes, and all of its candidates and links that no habit changes."""

    first: int
    last: int
    stops: Candidates
    links: Links
    slides: Slides
    moves: Moves
    table: Arrays
    costs: Costs

    @classmethod
    def of(cls, line: Line, span: tuple[int, int], *, table: Arrays, costs: Costs, share: float) -> "_Passage":
        part = slice(*span)
        midi, start_s, end_s = line.midi[part], line.start_s[part], line.end_s[part]
        stops = chain.gather(costs, table, midi, vibrato_seen(line)[part], share)
        silence_s = np.maximum(start_s[1:] - end_s[:-1], 0.0)
        to_rest_s = max(costs.rest_s - costs.free_s, 1e-3)
        slurred = line.slurred[part][1:]
        links = Links(
            apart_s=np.diff(start_s),
            rested=costs.rest_freedom * np.clip((silence_s - costs.free_s) / to_rest_s, 0.0, 1.0),
            slurred=np.where(np.isfinite(slurred), slurred, 0.5),
            rise=np.diff(midi),
            slide=line.slide[part][1:],
        )
        moves = chain.moves(costs, table, stops.begins, stops.stops, links, line.slides)
        return cls(span[0], span[1], stops, links, line.slides, moves, table, costs)

    def evidence(self, costs: Costs) -> Floats:
        found: Floats = chain.evidence(costs, self.moves, self.links, self.slides) ** costs.evidence_weight
        return found

    def ease(self, player: _Player) -> Floats:
        """Weight of every pair by playability alone."""
        if player.ahead:
            found: Floats = np.exp(player.power * (self.moves.effort + player.crossing * self.moves.crossing))
            return found
        weights, _ = self.weights(player.power, seen=False)
        chosen: Floats = no_lookahead.choices(
            self.costs, self.table, self.stops, self.moves, weights, player.power, player.crossing
        )
        return chosen

    def weights(self, power: float, *, seen: bool) -> tuple[Floats, float]:
        logs = power * self.stops.liking + self.stops.sound + (self.stops.seen if seen else 0.0)
        found: tuple[Floats, float] = chain.note_weights(self.stops.begins, logs)
        return found

    def log_whole(self, power: float, pairs: Floats, *, seen: bool) -> float:
        """Log of the summed weights of all ways through; without what is ``seen`` vibrato says nothing."""
        weights, offset = self.weights(power, seen=seen)
        _, whole = chain.forward(self.stops.begins, weights, pairs, self.moves.begins)
        return float(whole) + offset

    def joint(self, t: int, weights: Floats, pairs: Floats, ways: Ways) -> Floats:
        """Probability of each pair of candidates of notes t and t + 1 of the passage."""
        b = self.stops.begins
        own = pairs[self.moves.begins[t] : self.moves.begins[t + 1]].reshape(b[t + 1] - b[t], b[t + 2] - b[t + 1])
        ahead = weights[b[t + 1] : b[t + 2]] * ways.after[b[t + 1] : b[t + 2]]
        joint: Floats = ways.before[b[t] : b[t + 1], None] * own * ahead[None, :]
        total = joint.sum()
        return joint / total if total > 0 else joint


def _own_kinds(line: Line, costs: Costs) -> Costs:
    """The weights with this take's own habit of which finger slides."""
    prior_kinds = np.array([costs.departing_share, costs.arriving_share, costs.two_finger_share])
    used = line.slide[line.slide >= 0]
    kinds = (line.slides.kinds[used] * line.slides.confidence[used, None]).sum(axis=0)
    mixed = kinds[[DEPARTING, ARRIVING, TWO]] + PRIOR_SLIDES * prior_kinds / prior_kinds.sum()
    mixed = mixed / mixed.sum() * prior_kinds.sum()
    return costs._replace(
        departing_share=float(mixed[0]), arriving_share=float(mixed[1]), two_finger_share=float(mixed[2])
    )


def _heard(costs: Costs, odds: float) -> Costs:
    """The weights with the odds of a shift being heard multiplied by ``odds``."""
    slurred = odds * costs.audible_slurred / (1.0 - costs.audible_slurred)
    detached = odds * costs.audible_detached / (1.0 - costs.audible_detached)
    return costs._replace(audible_slurred=slurred / (1.0 + slurred), audible_detached=detached / (1.0 + detached))


def _collect(
    line: Line,
    whole: list[_Passage],
    heard: list[list[Floats]],
    *,
    table: Arrays,
    players: list[_Player],
    chance: Floats,
    paths: int,
    sure: float,
) -> PassageHand:
    """The answers for each kind of player, mixed by its ``chance``; the paths are those of the likeliest.

    ``sure`` is the power to which what is known of the hand is raised.
    """
    notes, strings = line.midi.size, table.open_midi.size
    probability = np.zeros((notes, strings, 5))
    harmonic = np.zeros((notes, strings, 5))
    at_place = np.zeros((notes, strings, 5, int(table.place.max()) + 1))
    summary = np.full((notes, 3), np.nan)
    pairs: list[tuple[Pair, ...]] = [()] * line.slides.confidence.size
    best = np.full((paths, notes, 3), -1, dtype=np.int64)
    logs = np.zeros(paths)
    for n, s in enumerate(whole):
        begins, stops = s.stops.begins, s.stops.stops
        slid = np.flatnonzero(s.links.slide >= 0)
        joints = [np.zeros((begins[t + 1] - begins[t], begins[t + 2] - begins[t + 1])) for t in slid]
        mixed, moved = np.zeros(stops.size), np.zeros((s.links.rise.size, 3))
        for k in np.flatnonzero(chance):
            player, share = players[k], float(chance[k])
            links = (s.ease(player) * heard[player.hearing][n]) ** sure
            weights, _ = s.weights(player.power * sure, seen=True)
            ways = chain.forward_backward(begins, weights, links, s.moves.begins)
            mixed += share * ways.chance
            moved += share * chain.link_summary(table, begins, stops, weights, links, ways)
            for joint, t in zip(joints, slid, strict=True):
                joint += share * s.joint(int(t), weights, links, ways)
            if k == int(np.argmax(chance)):
                chosen, path_logs = chain.best_paths(begins, weights, links, s.moves.begins, count=paths)
                way = np.stack([table.string[stops], table.finger[stops], table.place[stops]], axis=1)
                for rank in range(paths):
                    on = chosen[rank] >= 0
                    best[rank, s.first : s.last][on] = way[chosen[rank][on]]
                logs += path_logs
        owner = np.repeat(np.arange(s.first, s.last), np.diff(begins))
        string, finger, place = table.string[stops], table.finger[stops], table.place[stops]
        np.add.at(probability, (owner, string, finger), mixed)
        np.add.at(harmonic, (owner, string, finger), mixed * table.harmonic[stops])
        # A finger that only touches a harmonic says where the hand is where it cannot be pressed down there.
        np.add.at(at_place, (owner, string, finger, place), mixed * np.where(table.harmonic[stops], TOUCHED, 1.0))
        summary[s.first + 1 : s.last] = moved
        for joint, t in zip(joints, slid, strict=True):
            pairs[s.links.slide[t]] = _pairs(s, int(t), joint, table)
    place = np.where(probability > 0, at_place.argmax(axis=3), -1)
    return PassageHand(
        probability=probability,
        place=place,
        harmonic=np.divide(harmonic, probability, out=np.zeros_like(harmonic), where=probability > 0),
        shifted=summary[:, 0],
        same_string=summary[:, 1],
        chance=summary[:, 2],
        paths=best,
        path_logs=logs,
        pairs=tuple(pairs),
    )


def _pairs(s: _Passage, t: int, joint: Floats, table: Arrays) -> tuple[Pair, ...]:
    begins, stops = s.stops.begins, s.stops.stops
    ones, others = stops[begins[t] : begins[t + 1]], stops[begins[t + 1] : begins[t + 2]]
    rows, columns = np.nonzero(joint > 1e-4)
    found = [
        Pair(
            string=int(table.string[others[j]]) if table.string[ones[i]] == table.string[others[j]] else -1,
            from_finger=int(table.finger[ones[i]]),
            to_finger=int(table.finger[others[j]]),
            from_place=int(table.place[ones[i]]),
            to_place=int(table.place[others[j]]),
            probability=float(joint[i, j]),
        )
        for i, j in zip(rows, columns, strict=True)
    ]
    return tuple(sorted(found, key=lambda p: (-p.probability, p.string, p.from_finger, p.to_finger, p.from_place)))
