"""The hand of a player who knows what comes next, made without the weights that the reconstruction uses.

Fingers by the principle of the optimum path (S. I. Sayegh, "Fingering for string instruments with the optimum path
paradigm", Computer Music Journal 13/3, 1989): of all ways to stop the line the one whose moves from note to note cost
least in all. What they cost is the player's ``Taste``: round numbers, drawn at random about common practice (no
source). Such players shift twice as often as the professionals whose fingerings were learned from, and take the fourth
finger twice as often: they are a second opinion, and no likeness.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.instruments import Instrument
from pipeline.signal.synth.fingering import Stop, highest_first, position_name, reach
from pipeline.signal.synth.keys import scale_of
from pipeline.signal.synth.known_melody import Fingers

State = tuple[int, int, int]
"""String index, finger (0 open), place of the first finger; an open string leaves the hand where it is."""


@dataclass(frozen=True)
class Taste:
    """What a player would rather not do, in units of one move of the hand.

    ``travel`` for each semitone that the hand moves, ``crossing`` for each string crossed, ``open_string`` for an open
    string, ``height`` for each semitone that the hand stands above half position, ``even`` and ``off_scale`` for moving
    to an even position and to a place where the first finger stops no note of the scale, ``stretch`` for a fourth
    finger beyond the usual frame, ``dull`` for each semitone above a fifth on any string but the highest, ``hop`` for
    one finger that stops another note without a shift. ``gliding`` is what a shift costs less if one finger makes it
    along one string: players of the old schools were fond of that.
    """

    travel: float
    crossing: float
    open_string: float
    height: float
    even: float
    off_scale: float
    stretch: float
    dull: float
    hop: float
    gliding: float


def fingers_by(taste: Taste, *, instrument: Instrument, key: str) -> Fingers:
    """The taste as plans take it."""
    return lambda midi, _: fingering(midi, instrument=instrument, scale=scale_of(key), taste=taste)


def random_taste(rng: np.random.Generator) -> Taste:
    """A taste about common practice, each part up to half as much again, or as much less.

    ``crossing`` goes from players who cross strings gladly to lovers of one string, who rather move the hand.
    """
    centres = (0.1, 1.2, 0.3, 0.03, 0.4, 0.6, 0.5, 0.08, 2.0, 0.15)
    spreads = (1.5, 2.5, *(1.5,) * 8)
    return Taste(*(c * s ** float(rng.uniform(-1.0, 1.0)) for c, s in zip(centres, spreads, strict=True)))


def fingering(midi: Sequence[int], *, instrument: Instrument, scale: frozenset[int], taste: Taste) -> list[Stop]:
    """The cheapest stops for a line; of equal ones the first in order of string, finger and place.

    The ``first`` of an open string is where the hand stands meanwhile.
    """
    hand = _Hand(instrument, scale, taste)
    ways = {state: hand.settling(state) + hand.standing(state, midi[0]) for state in hand.states(midi[0])}
    back: list[dict[State, State]] = []
    for before, now in pairwise(midi):
        best: dict[State, tuple[float, State]] = {}
        for b in hand.states(now):
            own = hand.standing(b, now)
            best[b] = min((cost + hand.moving(a, b, before != now) + own, a) for a, cost in ways.items())
        ways = {b: cost for b, (cost, _) in best.items()}
        back.append({b: a for b, (_, a) in best.items()})
    path = [min(ways, key=lambda state: (ways[state], state))]
    for came_from in reversed(back):
        path.append(came_from[path[-1]])
    return [Stop(*state, pitch) for state, pitch in zip(reversed(path), midi, strict=True)]


class _Hand:
    """What stops and moves cost a player."""

    def __init__(self, instrument: Instrument, scale: frozenset[int], taste: Taste) -> None:
        self.instrument = instrument
        self.scale = scale
        self.taste = taste

    def states(self, midi: int) -> list[State]:
        found: list[State] = []
        places = range(1, highest_first(self.instrument) + 1)
        for string, base in enumerate(self.instrument.open_midi):
            if midi == base:
                found += [(string, 0, first) for first in places]
            for finger, offsets in reach(self.instrument).items():
                found += [(string, finger, midi - base - d) for d in offsets if midi - base - d in places]
        return found

    def moving(self, a: State, b: State, new_pitch: bool) -> float:
        cost = self.taste.crossing * abs(a[0] - b[0])
        if a[2] != b[2]:
            cost += 1.0 + self.taste.travel * abs(a[2] - b[2]) + self.settling(b)
            cost -= self.taste.gliding * (a[:2] == b[:2] and a[1] > 0)
        elif a == b and a[1] > 0 and new_pitch:
            cost += self.taste.hop
        return cost

    def standing(self, b: State, midi: int) -> float:
        above = midi - self.instrument.open_midi[b[0]]
        lower_string = b[0] < len(self.instrument.open_midi) - 1
        return (
            self.taste.height * b[2]
            + self.taste.open_string * (b[1] == 0)
            + self.taste.stretch * (b[1] == 4 and above - b[2] > self.instrument.frame_semitones)
            + self.taste.dull * max(above - 7, 0) * lower_string
        )

    def settling(self, b: State) -> float:
        off = (self.instrument.open_midi[b[0]] + b[2]) % 12 not in self.scale
        return self.taste.even * (position_name(b[2]) % 2 == 0) + self.taste.off_scale * off
