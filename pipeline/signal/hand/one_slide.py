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

import numpy as np

from pipeline.signal.hand import chain
from pipeline.signal.hand.chain import Arrays, Links, Slides
from pipeline.signal.hand.fingerboard import Fingerboard, position_number
from pipeline.signal.hand.passage import arrays
from pipeline.signal.hand.playability import INTO, KIND_PRIOR, Costs, kind_fit
from pipeline.signal.slides.kinds import KINDS
from pipeline.units import Floats

LEAST_PROBABILITY = 0.005
MOST_WAYS = 12


@dataclass(frozen=True)
class Way:
    """One way to make a slide: string index, fingers, hand places (semitones above the open string) and positions.

    ``kind`` is the kind of slide that this way explains best, one of ``pipeline.signal.slides.kinds.KINDS``.
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
    costs: Costs,
    kinds: Floats,
    from_midi: float,
    to_midi: float,
    step_from_midi: float,
    step_to_midi: float,
    note_before: bool,
) -> list[Way]:
    """Ways to make one slide, likeliest first; their probabilities sum to at most 1.

    Parameters
    ----------
    board, costs : the instrument as tuned; the weights.
    kinds : (6,) probabilities of ``pipeline.signal.slides.kinds.KINDS``.
    from_midi, to_midi : the slide's ends, fractional MIDI.
    step_from_midi, step_to_midi : the break in it; NaN where the glide is unbroken.
    note_before : whether it leaves a held note; if not, the first pitch is only where the glide begins.
    """
    table = arrays(board, costs, in_scale=np.ones(12))
    slides = Slides(
        np.asarray(kinds, dtype=np.float64)[None, :],
        np.array([from_midi]),
        np.array([to_midi]),
        np.array([step_from_midi]),
        np.array([step_to_midi]),
        np.ones(1),
    )
    slides = chain.looked_at(slides)
    found = _between(table, costs, slides) if note_before else _into(table, costs, slides)
    total = sum(weight for _, weight in found)
    by_position: dict[_Hands, tuple[_Hands, float]] = {}
    for hands, weight in sorted(found, key=lambda item: (-item[1], item[0])):
        named = (*hands[:3], position_number(hands[3]), position_number(hands[4]))
        likeliest, so_far = by_position.get(named, (hands, 0.0))
        by_position[named] = (likeliest, so_far + weight / total)
    ways = [
        Way(*hands, _kind(table, costs, slides, hands) if note_before else KINDS[INTO], probability)
        for hands, probability in by_position.values()
    ]
    ways.sort(key=lambda w: (-w.probability, w.string, w.from_finger, w.to_finger, w.from_place, w.to_place))
    return [way for way in ways[:MOST_WAYS] if way.probability >= LEAST_PROBABILITY]


_Hands = tuple[int, int, int, int, int]


def _between(table: Arrays, costs: Costs, slides: Slides) -> list[tuple[_Hands, float]]:
    midi = np.array([slides.from_midi[0], slides.to_midi[0]])
    notes = chain.gather(costs, table, midi, np.full(2, np.nan), 0.5)
    begins, stops = notes.begins, notes.stops
    weights, _ = chain.note_weights(begins, costs.tempering * notes.liking + notes.sound)
    links = Links(np.ones(1), np.zeros(1), np.ones(1), midi[1:] - midi[:1], np.zeros(1, np.int64))
    moves = chain.moves(costs, table, begins, stops, links, slides)
    pairs = np.exp(costs.tempering * (moves.effort + moves.crossing))
    pairs *= chain.evidence(costs, moves, links, slides) ** costs.evidence_weight
    pairs = pairs.reshape(begins[1], begins[2] - begins[1]) * weights[: begins[1], None] * weights[None, begins[1] :]
    found: dict[_Hands, float] = {}
    for i, j in zip(*np.nonzero(pairs), strict=True):
        a, b = stops[i], stops[begins[1] + j]
        if table.string[a] == table.string[b]:
            key = _hands(table, int(a), int(b))
            found[key] = found.get(key, 0.0) + float(pairs[i, j])
    return list(found.items())


def _hands(table: Arrays, a: int, b: int) -> _Hands:
    return (
        int(table.string[b]),
        int(table.finger[a]),
        int(table.finger[b]),
        int(table.place[a]),
        int(table.place[b]),
    )


def _into(table: Arrays, costs: Costs, slides: Slides) -> list[tuple[_Hands, float]]:
    """The finger of the note travels in: the hand comes from as far off as the glide begins."""
    midi = np.array([slides.to_midi[0]])
    notes = chain.gather(costs, table, midi, np.full(1, np.nan), 0.5)
    weights, _ = chain.note_weights(notes.begins, costs.tempering * notes.liking + notes.sound)
    travel = max(round(abs(slides.to_midi[0] - slides.from_midi[0])), 1)
    travel = travel if slides.to_midi[0] > slides.from_midi[0] else -travel
    found: dict[_Hands, float] = {}
    for b, weight in zip(notes.stops, weights, strict=True):
        place = int(table.place[b]) - travel
        if table.finger[b] == 0 or place < 1 or place >= table.reach.shape[0]:
            continue
        key = (int(table.string[b]), int(table.finger[b]), int(table.finger[b]), place, int(table.place[b]))
        found[key] = found.get(key, 0.0) + float(weight)
    return list(found.items())


def _kind(table: Arrays, costs: Costs, slides: Slides, hands: _Hands) -> str:
    string, from_finger, to_finger, from_place, to_place = hands
    opened = table.open_midi[string]
    one = (string, from_finger, from_place, round(float(slides.from_midi[0] - opened)))
    other = (string, to_finger, to_place, round(float(slides.to_midi[0] - opened)))
    fits = [
        slides.kinds[0, kind]
        / KIND_PRIOR[kind]
        * kind_fit(
            costs,
            table.reach,
            kind,
            one,
            other,
            float(slides.step_from_midi[0] - opened),
            float(slides.step_to_midi[0] - opened),
            float(slides.to_midi[0] - slides.from_midi[0]),
        )
        for kind in range(6)
    ]
    return KINDS[int(np.argmax(fits))]
