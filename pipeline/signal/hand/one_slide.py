"""Which strings, fingers and positions could have made one slide, taken by itself, likeliest first.

Where a glide is broken tells the fingers apart. ``departing_finger``: the first finger travels to the break, and
the step from there to the second note is the distance of the two fingers in the new position. ``arriving_finger``:
the step is their distance in the old position, and the second finger travels. ``same_finger``: one finger on one
string. ``two_finger``: the step within the glide is the distance of the fingers that change over; one or two
semitones are neighbouring fingers. The step may run against the slide: the finger travels beyond the target.
``into_note``: the finger of the note glides in from below or above, so the hand moved there; whether to shift
during the bow change or as a deliberate approach one slide alone cannot tell.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipeline.compiled import compiled
from pipeline.kinds import KINDS, Kind
from pipeline.signal.hand import chain
from pipeline.signal.hand.chain import Arrays, Slides
from pipeline.signal.hand.features import MOST_AT_ONCE, move_features
from pipeline.signal.hand.fingerboard import HIGHEST_PLACE, Fingerboard, position_number
from pipeline.signal.hand.heard import KIND_PRIOR, USUAL, audible_share, kind_fit, slide_fit
from pipeline.signal.hand.passage_chain import arrays
from pipeline.signal.hand.weights import NO_SCHOOL, School, Weights, of_players
from pipeline.units import Floats

LEAST_PROBABILITY = 0.005  # rarer ways are not listed
MOST_WAYS = 12  # more are not listed
NEXT_TO_NOTHING = 1e-6  # of the likeliest pair of stops: there are a thousand


@dataclass(frozen=True)
class Way:
    """One way to make a slide: string index, fingers, hand places (semitones above the open string) and positions.

    ``kind`` is the kind of slide that this way explains best, one of ``pipeline.kinds.KINDS``.
    """

    string: int
    from_finger: int
    to_finger: int
    from_place: int
    to_place: int
    kind: str
    probability: float

    @property
    def from_position(self) -> int:
        """Number of the position left."""
        return position_number(self.from_place)

    @property
    def to_position(self) -> int:
        """Number of the position reached."""
        return position_number(self.to_place)


def ways_of_slide(
    *,
    board: Fingerboard,
    kinds: Floats,
    from_midi: float,
    to_midi: float,
    step_from_midi: float,
    step_to_midi: float,
    note_before: bool,
    school: School = NO_SCHOOL,
) -> list[Way]:
    """Ways to make one slide, likeliest first; their probabilities sum to at most 1.

    Parameters
    ----------
    board : the instrument as tuned.
    kinds : (6,) probabilities of ``pipeline.kinds.KINDS``.
    from_midi, to_midi : the slide's ends, fractional MIDI.
    step_from_midi, step_to_midi : the break in it; NaN where the glide is unbroken.
    note_before : whether it leaves a held note; if not, the first pitch is only where the glide begins.
    school : what the player's school adds to the learned weights.

    One finger from B4 up to F sharp 5 on the violin: likeliest on the A string, from first position.

    >>> same_finger = np.array([1.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    >>> break_ = {"step_from_midi": np.nan, "step_to_midi": np.nan}
    >>> from pipeline.signal.hand.fingerboard import fingerboard
    >>> violin = fingerboard("violin")
    >>> way = ways_of_slide(
    ...     board=violin, kinds=same_finger, from_midi=71.0, to_midi=78.0, note_before=True, **break_
    ... )[0]
    >>> violin.strings[way.string], way.from_finger, way.from_place, way.to_finger, way.to_place
    ('A', 1, 2, 1, 9)
    """
    table, _ = arrays(board)
    slides = Slides(
        np.asarray(kinds, dtype=np.float64)[None, :],
        np.array([from_midi]),
        np.array([to_midi]),
        np.array([step_from_midi]),
        np.array([step_to_midi]),
        np.ones(1),
    )
    slides = chain.looked_at(slides)
    player, liking = of_players(board.instrument, school)[0], _liking(board, school)
    hands, weights = _between(table, player, liking, slides) if note_before else _into(table, liking, slides)
    if not weights.size:
        return []
    order = np.argsort(-weights, kind="stable")
    hands, share = hands[:, order], weights[order] / weights.sum()
    _, likeliest, position = np.unique(
        _numbered(np.vstack((hands[:3], _POSITIONS[hands[3:]]))), return_index=True, return_inverse=True
    )
    hands, probability = hands[:, likeliest], np.asarray(np.bincount(position, share), dtype=np.float64)
    ranked = np.argsort(-probability, kind="stable")[:MOST_WAYS]
    ranked = ranked[probability[ranked] >= LEAST_PROBABILITY]
    ways: list[_Hands] = list(zip(*hands[:, ranked].tolist(), strict=True))
    slid = [_kind(table, slides, way) if note_before else Kind.INTO_NOTE for way in ways]
    chances = probability[ranked].tolist()
    return [Way(*way, kind, chance) for way, kind, chance in zip(ways, slid, chances, strict=True)]


def _numbered(hands: chain.Ints) -> chain.Ints:
    """A number for each column of hands (5, n): string, both fingers, both places."""
    return np.asarray(np.ravel_multi_index(tuple(hands), tuple(hands.max(axis=1, initial=0) + 1)))


_Hands = tuple[int, int, int, int, int]
# The number of each place's position.
_POSITIONS = np.array([position_number(place) for place in range(max(HIGHEST_PLACE.values()) + 1)])


@lru_cache(maxsize=64)
def _liking(board: Fingerboard, school: School) -> Floats:
    """Log weight of every stop of the table to a middling player at a middling tempo, whatever the scale."""
    found: Floats = arrays(board)[1] @ of_players(board.instrument, school)[0].stop
    return found


def _between(table: Arrays, player: Weights, liking: Floats, slides: Slides) -> tuple[chain.Ints, Floats]:
    midi = np.array([slides.from_midi[0], slides.to_midi[0]])
    notes = chain.gather(table, midi, np.full(2, np.nan), 0.5)
    begins, stops = notes.begins, notes.stops
    weights, _ = chain.note_weights(begins, liking[stops] + notes.sound)
    pairs = np.zeros((begins[1], begins[2] - begins[1]))
    _slid(table, stops, weights, slides, np.exp(player.move), pairs)
    rows, columns = np.nonzero(pairs > NEXT_TO_NOTHING * pairs.max(initial=0.0))
    a, b = stops[rows], stops[begins[1] + columns]
    parts = np.stack((table.string[b], table.finger[a], table.finger[b], table.place[a], table.place[b]))
    return _summed(parts, pairs[rows, columns])


@compiled()
def _slid(table: Arrays, stops, weights, slides: Slides, factors, out):  # type: ignore[no-untyped-def]
    """Weight of every pair of stops of one string, by liking and by the slide's kind and break."""
    features = np.zeros(MOST_AT_ONCE, np.uint8)
    rise = slides.to_midi[0] - slides.from_midi[0]
    for i in range(out.shape[0]):
        a = stops[i]
        one = (table.string[a], table.finger[a], table.place[a], table.stop[a])
        open_midi = table.open_midi[one[0]]
        step_from, step_to = slides.step_from_midi[0] - open_midi, slides.step_to_midi[0] - open_midi
        for j in range(out.shape[1]):
            b = stops[out.shape[0] + j]
            if table.string[b] != one[0]:
                continue
            other = (table.string[b], table.finger[b], table.place[b], table.stop[b])
            count = move_features(one, other, round(rise), table.close[table.place[b]], features)
            if count < 0:
                continue
            by_chance, by_shift = audible_share(one, other)
            whole = weights[i] * weights[out.shape[0] + j] * (by_chance + by_shift * USUAL.slurred)
            for m in range(count):
                whole *= factors[features[m]]
            out[i, j] = whole * slide_fit(
                USUAL, table.reach, slides.kinds[0], one, other, step_from, step_to, rise, 1.0
            )


def _summed(hands: chain.Ints, weights: Floats) -> tuple[chain.Ints, Floats]:
    """Each of the hands (5, n) once, by string, fingers and places, and the sums of their weights."""
    _, first, which = np.unique(_numbered(hands), return_index=True, return_inverse=True)
    return hands[:, first], np.asarray(np.bincount(which, weights), dtype=np.float64)


def _into(table: Arrays, liking: Floats, slides: Slides) -> tuple[chain.Ints, Floats]:
    """The finger of the note travels in: the hand comes from as far off as the glide begins."""
    midi = np.array([slides.to_midi[0]])
    notes = chain.gather(table, midi, np.full(1, np.nan), 0.5)
    weights, _ = chain.note_weights(notes.begins, liking[notes.stops] + notes.sound)
    travel = max(round(abs(slides.to_midi[0] - slides.from_midi[0])), 1)
    travel = travel if slides.to_midi[0] > slides.from_midi[0] else -travel
    stops = notes.stops
    string, finger, place = table.string[stops], table.finger[stops], table.place[stops]
    come = place - travel
    kept = (finger != 0) & (come >= 0) & (come < table.reach.shape[0])
    return _summed(np.stack((string, finger, finger, come, place))[:, kept], weights[kept])


def _kind(table: Arrays, slides: Slides, hands: _Hands) -> str:
    string, from_finger, to_finger, from_place, to_place = hands
    opened = table.open_midi[string]
    kind: int = _likeliest_kind(
        table.reach,
        slides.kinds[0],
        (string, from_finger, from_place, round(float(slides.from_midi[0] - opened))),
        (string, to_finger, to_place, round(float(slides.to_midi[0] - opened))),
        float(slides.step_from_midi[0] - opened),
        float(slides.step_to_midi[0] - opened),
        float(slides.to_midi[0] - slides.from_midi[0]),
    )
    return KINDS[kind]


@compiled()
def _likeliest_kind(reach, kinds, one, other, step_from, step_to, rise):  # type: ignore[no-untyped-def]
    best, most = 0, -1.0
    for kind in range(kinds.shape[0]):
        fit = kinds[kind] / KIND_PRIOR[kind]
        fit *= kind_fit(USUAL, reach, kind, one, other, step_from, step_to, rise, 1.0)
        if fit > most:
            best, most = kind, fit
    return best
