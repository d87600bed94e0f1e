"""One passage as a chain: its notes' candidate stops and the moves between them, as no player changes them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from pipeline.compiled import compiled
from pipeline.signal.hand import chain, moves, ways
from pipeline.signal.hand.chain import Arrays, Candidates, Slides
from pipeline.signal.hand.features import doublings, stop_features
from pipeline.signal.hand.fingerboard import Fingerboard, close_places, stop_table
from pipeline.signal.hand.heard import Hearing
from pipeline.signal.hand.moves import Links, Moves
from pipeline.signal.hand.played_line import Line, vibrato_seen
from pipeline.signal.hand.weights import Weights
from pipeline.units import Floats

REST_S, FREE_S, REST_FREEDOM = 1.0, 0.15, 0.6
"""Up to ``FREE_S`` a silence frees nothing, from ``REST_S`` on it frees the hand by ``REST_FREEDOM``, 1 being as if
nothing had been before (common practice, no source)."""


@lru_cache(maxsize=32)
def arrays(board: Fingerboard) -> tuple[Arrays, Floats]:
    """The stops of a fingerboard as the compiled chain takes them, and their features."""
    table = stop_table(board)
    held = (table.string, table.finger, table.place, table.stop, table.harmonic, table.reach, close_places(board))
    return Arrays(np.array(board.open_midi), table.first, *held), stop_features(board, table)


@dataclass(frozen=True)
class PassageChain:
    """One passage: its notes, and all of its candidates and links that no player changes.

    ``features`` (candidates, len(STOP_NAMES)) with the scale, ``long`` (candidates,) and ``apart`` (links,) the
    doublings of the notes' lengths and of the time between them, ``own`` (candidates,) how much more than others the
    take's player likes each stop. ``usual`` (pairs,) is how a ``middle`` player weighs the moves: others differ from it
    in what they like at a middling tempo.
    """

    first: int
    last: int
    stops: Candidates
    links: Links
    slides: Slides
    moves: Moves
    features: Floats
    long: Floats
    apart: Floats
    own: Floats
    usual: Floats
    middle: Weights

    @classmethod
    def of(
        cls, line: Line, span: tuple[int, int], *, board: Fingerboard, middle: Weights, heard: Hearing, share: float
    ) -> "PassageChain":
        """The notes of ``span``; of ``heard`` counts which finger slides, ``share`` of long notes have vibrato."""
        part = slice(*span)
        table, of_stops = arrays(board)
        midi, start_s, end_s = line.midi[part], line.start_s[part], line.end_s[part]
        stops = chain.gather(table, midi, vibrato_seen(line)[part], share)
        silence_s = np.maximum(start_s[1:] - end_s[:-1], 0.0)
        slurred = line.slurred[part][1:]
        links = Links(
            apart_s=np.diff(start_s),
            rested=REST_FREEDOM * np.clip((silence_s - FREE_S) / (REST_S - FREE_S), 0.0, 1.0),
            slurred=np.where(np.isfinite(slurred), slurred, 0.5),
            rise=np.diff(midi),
            slide=line.slide[part][1:],
        )
        pairs = moves.moves(table, stops.begins, stops.stops, links, line.slides, heard)
        apart = doublings(links.apart_s)
        return cls(
            first=span[0],
            last=span[1],
            stops=stops,
            links=links,
            slides=line.slides,
            moves=pairs,
            features=chain.features_of(stops, table, of_stops, midi),
            long=doublings(end_s - start_s)[stops.owner],
            apart=apart,
            own=np.zeros(stops.stops.size),
            usual=moves.ease(
                pairs, doublings=apart, rested=links.rested, weights=middle.move, by_time=middle.move_by_time
            ),
            middle=middle,
        )

    def likely(self, hearing: Hearing, *, least: float) -> "PassageChain":
        """The passage without stops less likely than ``least`` for a middle player, slides counted and not."""
        begins, links = self.stops.begins, self.moves.begins
        weights, _ = self.weights(self.likings([self.middle])[0])
        without, heard = (
            ways.forward_backward(begins, weights, pairs, links).chance
            for pairs in (self.usual, self.usual * self.told(hearing))
        )
        return self.kept(np.maximum(without, heard) >= least)

    def kept(self, keep: np.ndarray) -> "PassageChain":
        """The passage with some of its candidates, (candidates,) bool."""
        stops, old = self.stops, self.moves
        counts = np.bincount(stops.owner[keep], minlength=stops.begins.size - 1)
        begins = np.concatenate([[0], np.cumsum(counts)])
        pair_begins = np.concatenate([[0], np.cumsum(counts[:-1] * counts[1:])])
        pairs, which = np.empty(pair_begins[-1], np.int64), np.empty(pair_begins[-1], np.uint16)
        sets = np.zeros_like(old.sets)
        known = _kept_pairs(stops.begins, old.begins, keep, old.which, old.sets, pairs, which, sets)
        held = Candidates(begins, *(each[keep] for each in stops[1:]))
        return replace(
            self,
            stops=held,
            moves=old._replace(
                begins=pair_begins,
                which=which,
                sets=sets[:known].copy(),
                audible=old.audible[pairs],
                fit=old.fit[pairs],
            ),
            features=self.features[keep],
            long=self.long[keep],
            own=self.own[keep],
            usual=self.usual[pairs],
        )

    def likings(self, kinds: Sequence[Weights]) -> Floats:
        """Log weight of every candidate by what the hand of each kind likes, (kinds, candidates)."""
        weights = np.array([kind.stop for kind in kinds] + [kind.stop_by_time for kind in kinds])
        plain, by_time = np.split(weights @ self.features.T, 2)
        found: Floats = plain + self.long * by_time + self.own
        return found

    def weights(self, liking: Floats, *, vibrato: bool = True) -> tuple[Floats, float]:
        """Weight of every candidate by liking and sound, the best of each note 1, and the log of all divided out."""
        heard = self.stops.sound + self.stops.seen if vibrato else self.stops.sound
        return chain.note_weights(self.stops.begins, liking + heard)

    def ease(self, kind: Weights) -> Floats:
        """Weight of every pair by what the hand of a player of the kind likes."""
        more = kind.move - self.middle.move
        return moves.with_more(self.moves, self.usual, rested=self.links.rested, more=more)

    def told(self, hearing: Hearing) -> Floats:
        """Likelihood of the slides heard and not heard under every pair."""
        return moves.evidence(self.moves, self.links, self.slides, hearing)


@compiled()
def _kept_pairs(begins, pair_begins, keep, which, sets, pairs, new_which, new_sets):  # type: ignore[no-untyped-def]
    """Which pairs are kept, and the sets of features that these have; gives how many sets they are."""
    new = np.full(sets.shape[0], -1)
    # The first set is that of what no hand can make, whether any pair has it or not.
    new[0] = 0
    for m in range(sets.shape[1]):
        new_sets[0, m] = sets[0, m]
    count, known = 0, 1
    for t in range(pair_begins.shape[0] - 1):
        wide = begins[t + 2] - begins[t + 1]
        for i in range(begins[t], begins[t + 1]):
            if not keep[i]:
                continue
            row = pair_begins[t] + (i - begins[t]) * wide
            for j in range(wide):
                if keep[begins[t + 1] + j]:
                    own = which[row + j]
                    if new[own] < 0:
                        new[own] = known
                        for m in range(sets.shape[1]):
                            new_sets[known, m] = sets[own, m]
                        known += 1
                    pairs[count] = row + j
                    new_which[count] = new[own]
                    count += 1
    return known
