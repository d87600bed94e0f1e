"""A melody first, its fingers second: the hand of a player who knows what comes next.

``melody`` makes a line that leads somewhere: from one turning point to the next mostly by step, as scales and songs
do. ``fingering`` then plays it by the principle of the optimum path (S. I. Sayegh, "Fingering for string instruments
with the optimum path paradigm", Computer Music Journal 13/3, 1989): of all ways to stop the line the one whose moves
from note to note cost least in all. What they cost is the player's ``Taste``: round numbers, drawn at random about
common practice (no source), which the part of the program that reconstructs hands does not know.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.instruments import Instrument
from pipeline.signal.synth.fingering import Stop, highest_first, position_name, reach

State = tuple[int, int, int]
"""String index, finger (0 open), place of the first finger; an open string leaves the hand where it is."""
LEAST_RANGE, MOST_RANGE = 7, 15
"""Semitones above the top open string to which lines rise."""


LEAPS = 0.3
"""Share of turning points reached at one leap."""
STRIDES = (0.4, 0.35, 0.25)
"""Shares of moves by one, two and three notes of the scale elsewhere."""


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


def random_taste(rng: np.random.Generator) -> Taste:
    """A taste about common practice, each part up to half as much again, or as much less.

    ``crossing`` goes from players who cross strings gladly to lovers of one string, who rather move the hand.
    """
    centres = (0.1, 1.2, 0.3, 0.03, 0.4, 0.6, 0.5, 0.08, 2.0, 0.15)
    spreads = (1.5, 2.5, *(1.5,) * 8)
    return Taste(*(c * s ** float(rng.uniform(-1.0, 1.0)) for c, s in zip(centres, spreads, strict=True)))


def melody(
    rng: np.random.Generator, *, instrument: Instrument, pull: dict[int, float], notes: int, top: int | None = None
) -> list[int]:
    """Pitches (MIDI) of a scale, no two neighbours alike.

    The line makes for one turning point after another, by step or over a note or two of the scale, now and then by one
    leap. ``pull`` says how readily it turns on each pitch class of the scale; ``top`` how many semitones above the top
    open string the line may rise, drawn at random if None.
    """
    low = instrument.open_midi[0] + 2
    high = instrument.open_midi[-1] + (int(rng.integers(LEAST_RANGE, MOST_RANGE)) if top is None else top)
    ladder = [midi for midi in range(low, high + 1) if midi % 12 in pull]
    at = int(rng.integers(len(ladder) // 2, 3 * len(ladder) // 4))
    found = [ladder[at]]
    while len(found) < notes:
        away = np.abs(np.arange(len(ladder)) - at)
        weight = ((away >= 2) & (away <= 8)) * np.array([pull[midi % 12] ** 2 for midi in ladder])
        turn = int(rng.choice(len(ladder), p=weight / weight.sum()))
        leaps = rng.random() < LEAPS
        while at != turn and len(found) < notes:
            far = abs(turn - at) if leaps else min(int(rng.choice((1, 2, 3), p=STRIDES)), abs(turn - at))
            at += far if turn > at else -far
            found.append(ladder[at])
    return found


def fingering(midi: list[int], *, instrument: Instrument, scale: frozenset[int], taste: Taste) -> list[Stop]:
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
