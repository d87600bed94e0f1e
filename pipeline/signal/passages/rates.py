"""How often a take does what is not written: sounds an event once more, adds notes, leaves events out."""

from typing import NamedTuple

import numpy as np

from pipeline.signal.passages.part import MOST_SKIPPED, Bools, Ints, Part
from pipeline.units import Floats

# As a rule (the first two common practice, no source; one note in twenty is missed: tried on four violin movements).
AGAIN = 0.12
EXTRA, EXTRA_ON = 0.04, 0.25
SKIPPED = 0.05
MOST = 0.45
"""No rate is higher, so that something is always left for going on (real takes: .25 and less)."""
PRIOR = 40.0
"""So many notes the rule is worth beside what the take does (tried on five movements of solo violin)."""


class Rates(NamedTuple):
    """Probabilities after a note.

    ``again`` (events,): the event sounds once more, as the second half of a note cut in two, or another note of the
    chord; ``extra``: a note beside the written ones, after one that strikes an event, ``extra_on`` after one beside it;
    ``skipped``: how much rarer each further event left out is.
    """

    again: Floats
    extra: float
    extra_on: float
    skipped: float


def usual(part: Part) -> Rates:
    """What is expected of a take of which nothing is known."""
    return Rates(np.full(len(part.pitches), AGAIN), EXTRA, EXTRA_ON, SKIPPED)


def of_take(part: Part, event: Ints, *, is_beside: Bools, is_extra: Bools) -> Rates:
    """What the take does on a path, single notes and chords apart, drawn towards the rule.

    Parameters
    ----------
    event, is_beside, is_extra : (notes,) as in ``chain.Path``.
    """
    inside, stays = event[:-1] >= 0, is_beside[1:] & (event[1:] == event[:-1])
    is_chord = np.array([len(notes) > 1 for notes in part.pitches])
    of_chord = is_chord[event[:-1]]
    again = [_drawn(stays[own] & ~is_extra[1:][own], towards=AGAIN) for own in (inside & ~of_chord, inside & of_chord)]
    after_strike, beside = inside & ~is_beside[:-1], inside & is_beside[:-1]
    extra = stays & is_extra[1:]
    on = np.diff(event[(event >= 0) & ~is_beside])
    left_out = on[(on > 0) & (on <= 1 + MOST_SKIPPED)] - 1
    # Of the number left out each further one is rarer by the same factor: a geometric distribution.
    odds = (left_out.sum() + PRIOR * SKIPPED / (1.0 - SKIPPED)) / (left_out.size + PRIOR)
    return Rates(
        again=np.where(is_chord, again[1], again[0]),
        extra=_drawn(extra[after_strike], towards=EXTRA),
        extra_on=_drawn(extra[beside], towards=EXTRA_ON),
        skipped=float(odds / (1.0 + odds)),
    )


def _drawn(happened: Bools, *, towards: float) -> float:
    return min(float((happened.sum() + PRIOR * towards) / (happened.size + PRIOR)), MOST)
