"""One passage as a chain: its notes' candidate stops and the moves between them, as no player changes them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from pipeline.compiled import compiled
from pipeline.signal.hand import chain, ways
from pipeline.signal.hand.chain import Arrays, Candidates, Links, Moves, Slides
from pipeline.signal.hand.features import doublings, stop_features
from pipeline.signal.hand.fingerboard import Fingerboard, close_places, stop_table
from pipeline.signal.hand.heard import Hearing
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
    take's player likes each stop.
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

    @classmethod
    def of(
        cls, line: Line, span: tuple[int, int], *, board: Fingerboard, usual: Hearing, share: float
    ) -> "PassageChain":
        """The notes of ``span``; of ``usual`` counts which finger slides, ``share`` of long notes have vibrato."""
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
        return cls(
            first=span[0],
            last=span[1],
            stops=stops,
            links=links,
            slides=line.slides,
            moves=chain.moves(table, stops.begins, stops.stops, links, line.slides, usual),
            features=chain.features_of(stops, table, of_stops, midi),
            long=doublings(end_s - start_s)[stops.owner],
            apart=doublings(links.apart_s),
            own=np.zeros(stops.stops.size),
        )

    def likely(self, kind: Weights, hearing: Hearing, *, least: float) -> "PassageChain":
        """The passage without stops that are less likely than ``least`` with the slides heard and without them."""
        begins, links = self.stops.begins, self.moves.begins
        weights, _ = self.weights(self.likings([kind])[0])
        pairs = self.ease(kind)
        without = ways.forward_backward(begins, weights, pairs, links).chance
        pairs *= self.told(hearing)
        return self._kept(np.maximum(without, ways.forward_backward(begins, weights, pairs, links).chance) >= least)

    def _kept(self, keep: np.ndarray) -> "PassageChain":
        """The passage with some of its candidates, (candidates,) bool."""
        stops, moves = self.stops, self.moves
        counts = np.bincount(stops.owner[keep], minlength=stops.begins.size - 1)
        begins = np.concatenate([[0], np.cumsum(counts)])
        pair_begins = np.concatenate([[0], np.cumsum(counts[:-1] * counts[1:])])
        pairs = np.empty(pair_begins[-1], dtype=np.int64)
        _kept_pairs(stops.begins, moves.begins, keep, pairs)
        held = Candidates(begins, *(each[keep] for each in stops[1:]))
        return replace(
            self,
            stops=held,
            moves=Moves(pair_begins, moves.features[pairs], moves.audible[pairs], moves.shares, moves.fit[pairs]),
            features=self.features[keep],
            long=self.long[keep],
            own=self.own[keep],
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
        """Weight of every pair by what the hand likes."""
        return chain.ease(
            self.moves, doublings=self.apart, rested=self.links.rested, weights=kind.move, by_time=kind.move_by_time
        )

    def told(self, hearing: Hearing) -> Floats:
        """Likelihood of the slides heard and not heard under every pair."""
        return chain.evidence(self.moves, self.links, self.slides, hearing)


@compiled()
def _kept_pairs(begins, pair_begins, keep, out):  # type: ignore[no-untyped-def]
    count = 0
    for t in range(pair_begins.shape[0] - 1):
        at = pair_begins[t]
        for i in range(begins[t], begins[t + 1]):
            for j in range(begins[t + 1], begins[t + 2]):
                if keep[i] and keep[j]:
                    out[count] = at
                    count += 1
                at += 1
