"""The players of the demo: how each plays and sounds, and which fingers each likes best.

Habits are drawn as the model of the hand has players differ: about the learned weights, with the spread of its kinds of
player. On the notes of five pieces five such players agree with each other on as many as five professionals do. Of all
ways through a line a player takes the one that he likes best, as players choose and do not throw dice for every note
(the optimum path: S. I. Sayegh, "Fingering for string instruments with the optimum path paradigm", Computer Music
Journal 13/3, 1989). The hand that is then found is one that chooses by the weights it is told with: how well real
players' are told is for ``tests.benchmarks.fingers``.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from pipeline.instruments import INSTRUMENTS
from pipeline.kinds import KINDS
from pipeline.signal.hand import chain, ways
from pipeline.signal.hand.chain import Slides
from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.signal.hand.heard import USUAL
from pipeline.signal.hand.passage_chain import PassageChain, arrays
from pipeline.signal.hand.played_line import Line
from pipeline.signal.hand.weights import NO_SCHOOL, Weights, of_players
from pipeline.signal.synth.fingering import Stop, highest_first, reach
from pipeline.signal.synth.known_melody import Fingers
from pipeline.signal.synth.player import Player, random_player
from pipeline.signal.synth.voice import Voice, random_voice

LEARNED_KINDS = 5
"""Kinds of player that were learned; the last one, of one string, is what the recipe's ``one_string`` is for."""
SPREAD = 1.3
"""How far players differ, against the learned kinds."""
NO_SLIDES = Slides(np.zeros((0, len(KINDS))), *(np.zeros(0) for _ in range(5)))


@dataclass(frozen=True)
class Habits:
    """A player of the demo; see ``demo_corpus/recipe.toml``."""

    seed: int
    kinds: tuple[float, ...]
    one_string: float
    same_finger: float

    @classmethod
    def of(cls, player: Mapping[str, Any]) -> "Habits":
        """The habits of a player of the recipe."""
        known = {field.name: player[field.name] for field in fields(cls)}
        return cls(**(known | {"kinds": tuple(known["kinds"])}))

    def drawn(self, instrument: str) -> tuple[Player, Voice]:
        """The player's ways, and the sound of the instrument."""
        rng = np.random.default_rng(self.seed)
        return random_player(rng), random_voice(rng, instrument=instrument)

    def fingers(self, instrument: str) -> Fingers:
        """How the player fingers a line."""
        return fingers_of(self.seed, instrument=instrument, one_string=self.one_string, same_finger=self.same_finger)

    def kind_shares(self) -> dict[str, float]:
        """How often each kind of slide is chosen, by its name."""
        return dict(zip(KINDS, self.kinds, strict=False))


def fingers_of(seed: int, *, instrument: str, one_string: float, same_finger: float) -> Fingers:
    """The fingers of a player or an editor of the school, with habits drawn from the seed."""
    liking = _drawn(seed, of_players(instrument, NO_SCHOOL._replace(one_string=one_string, same_finger=same_finger)))

    def best(midi: Sequence[int], lengths_s: Sequence[float]) -> list[Stop]:
        return _best(np.array(midi), np.array(lengths_s), instrument=instrument, liking=liking)

    return best


def _drawn(seed: int, kinds: Sequence[Weights]) -> Weights:
    """A player about the middle one, with the covariance of all kinds by their shares."""
    middle, *others = kinds[:LEARNED_KINDS]
    shares = np.array([kind.share for kind in others])
    steps = SPREAD * np.sqrt(shares) * np.random.default_rng([seed, 1]).normal(size=len(others))
    return middle.with_more(
        np.sum([step * (kind.stop - middle.stop) for step, kind in zip(steps, others, strict=True)], axis=0),
        np.sum([step * (kind.move - middle.move) for step, kind in zip(steps, others, strict=True)], axis=0),
    )


def _best(midi: np.ndarray, lengths_s: np.ndarray, *, instrument: str, liking: Weights) -> list[Stop]:
    """The likeliest way through a line among stops that slides are planned with: in the frame of the hand."""
    board, known = fingerboard(instrument), INSTRUMENTS[instrument]
    table, _ = arrays(board)
    ends_s = np.cumsum(lengths_s)
    unknown = np.full(midi.size, np.nan)
    line = Line(
        midi.astype(np.float64), ends_s - lengths_s, ends_s, unknown, unknown, np.full(midi.size, -1), NO_SLIDES
    )
    passage = PassageChain.of(line, (0, midi.size), board=board, middle=liking, heard=USUAL, share=0.5)
    of = passage.stops.stops
    offset = table.stop - table.place
    framed = (table.finger == 0) | np.any(
        [(table.finger == finger) & np.isin(offset, offsets) for finger, offsets in reach(known).items()], axis=0
    )
    framed &= ~table.harmonic & (table.place >= 1) & (table.place <= highest_first(known))
    passage = passage.kept(framed[of])
    of = passage.stops.stops
    weights, _ = chain.note_weights(passage.stops.begins, passage.likings([liking])[0])
    (path, *_), _ = ways.best_paths(passage.stops.begins, weights, passage.usual, passage.moves.begins, count=1)
    rows = zip(table.string[of[path]], table.finger[of[path]], table.place[of[path]], midi, strict=True)
    return [Stop(*map(int, row)) for row in rows]
