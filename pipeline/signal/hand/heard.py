"""What each slide, or its absence, says about the hand.

A slide is judged against a pair of stops: whether the two can be on one string, whether the finger that travels would
be where the glide breaks, and how often such a shift is heard at all. A shift that should have been heard and was not
speaks against the pair. A stop is handed on as (string, finger, place, stop), the last two in semitones above the open
string. No share here is published as a number for historical playing: all are common practice, no source; the take's
own are estimated from it (``passage``).
"""

import math
from typing import NamedTuple

import numpy as np

from pipeline.compiled import bell, compiled, compiled_within
from pipeline.instruments import THUMB
from pipeline.kinds import Kind
from pipeline.signal.hand.fingerboard import LARGEST_OFFSET, SMALLEST_OFFSET
from pipeline.units import Floats


class Hearing(NamedTuple):
    """Shares that differ from player to player.

    ``slurred`` and ``detached`` are of shifts along a string that are heard, under a slur and with a new bow stroke;
    ``departing``, ``arriving`` and ``two`` of slides between two fingers: the first finger travels, the second does,
    or they change on the way.
    """

    slurred: float
    detached: float
    departing: float
    arriving: float
    two: float


USUAL = Hearing(slurred=0.8, detached=0.45, departing=0.55, arriving=0.3, two=0.15)
"""A middling player."""
AUDIBLE_BEYOND = 0.9
"""Part of a shift's chance to be heard where the sliding finger would travel beyond the second note."""
AUDIBLE_WITHOUT_SHIFT = 0.01
"""Share of other pairs of notes on which a slide is heard."""
APPROACH_SHARE = 0.2
"""Slides into a note made without a shift, as against one with it."""
INTO_SLURRED, INTO_DETACHED, CANNOT_TELL_SHARE = 0.1, 0.5, 0.05
"""Share of slides between two stops that are heard as into_note, under a slur and with a new bow stroke, before which
the travel is silent; and as none of the kinds."""
FINGER_ALONE = 2.0
"""Semitones from which a finger can glide into its note while the hand stays; each further one is e times rarer."""
STEP_SEMITONES, OUTLIER_SHARE = 0.15, 0.05
"""Spread of the measured pitch of a break, and the share of breaks that says nothing about the fingers."""
UNIFORM = 1.0 / 12.0
"""Density of the pitch of a break, per semitone, under a hand that says nothing about it."""
SAME, DEPARTING, ARRIVING, TWO, INTO, CANNOT_TELL = (kind.place for kind in Kind)
COUNT_OF_KINDS = len(Kind)
GAP, NO_BREAK, BETWEEN = 0.3, 0.05, 0.3
"""Spread in semitones of a step's end about the note that it meets, and what a kind keeps that it does not fit."""
# Shares of the kinds that a classifier's probabilities already contain; dividing by them leaves the evidence.
KIND_PRIOR = np.array([0.35, 0.25, 0.2, 0.1, 0.05, 0.05])


@compiled()
def audible_share(one: tuple[int, int, int, int], other: tuple[int, int, int, int]) -> tuple[float, float]:
    """How likely a slide is heard between two stops: a probability, and what to add of that of a plain shift."""
    # Shares of errors and of what is rare, all below: common practice, no source.
    string_a, finger_a, place_a, stop_a = one
    string_b, finger_b, place_b, stop_b = other
    moved = abs(place_b - place_a)
    if string_a != string_b:
        return AUDIBLE_WITHOUT_SHIFT * (3.0 if moved > 1 else 0.5), 0.0
    if finger_a == 0 or finger_b == 0:
        return AUDIBLE_WITHOUT_SHIFT * 2.0, 0.0
    if stop_a == stop_b:
        # Between two notes of one pitch there is no way for the pitch to go.
        return AUDIBLE_WITHOUT_SHIFT, 0.0
    if finger_a == finger_b:
        # A shift by a tone or more is as good as always meant (common practice, no source).
        return 0.0, 1.0 if moved > 1 else 0.8
    if moved > 1:
        # The first finger would have to travel beyond the target: mostly kept silent.
        beyond = (finger_b % THUMB - finger_a % THUMB) * (place_b - place_a) < 0
        return 0.0, AUDIBLE_BEYOND if beyond else 1.0
    return AUDIBLE_WITHOUT_SHIFT, 0.0


@compiled_within()
def _density(away: float) -> float:
    """Normal density of a break measured ``away`` semitones off."""
    return float(bell(away / STEP_SEMITONES) / (STEP_SEMITONES * math.sqrt(2.0 * math.pi)))


@compiled_within()
def _or_outlier(found: float, total: float) -> float:
    """Density over all offsets that the hand allows, or that of a break that says nothing."""
    told = (1.0 - OUTLIER_SHARE) * found / total if total > 0.0 else 0.0
    return told + OUTLIER_SHARE * UNIFORM


@compiled_within()
def _at_finger(reach: Floats, place: int, finger: int, other_finger: int, other_stop: int, pitch: float) -> float:
    """Density per semitone of a break at ``pitch`` (semitones above the open string) if ``finger`` made it.

    The hand is at ``place``, where ``other_finger`` stands at ``other_stop``: fingers do not cross.
    """
    found = 0.0
    total = 0.0
    for offset in range(SMALLEST_OFFSET, LARGEST_OFFSET + 1):
        weight = reach[place, finger, offset - SMALLEST_OFFSET]
        stop = place + offset
        if weight > 0.0 and (stop - other_stop) * (finger % THUMB - other_finger % THUMB) > 0:
            total += weight
            found += weight * _density(pitch - stop)
    return _or_outlier(found, total)


@compiled_within()
def kind_fit(
    hearing: Hearing,
    reach: Floats,
    kind: int,
    one: tuple[int, int, int, int],
    other: tuple[int, int, int, int],
    step_from: float,
    step_to: float,
    rise: float,
    slurred: float,
) -> float:
    """Likelihood of a slide's kind and break under a pair of stops, against a hand that says nothing.

    ``step_from`` and ``step_to`` are semitones above the open string of b (NaN where the glide is unbroken);
    ``rise`` the slide's interval in semitones; ``slurred`` the probability that no new stroke begins the second note.
    """
    string_a, finger_a, place_a, stop_a = one
    string_b, finger_b, place_b, stop_b = other
    if string_a != string_b:
        return 0.02
    moved = place_b - place_a
    up = 1.0 if rise > 0 else -1.0
    if kind == INTO:
        into = slurred * INTO_SLURRED + (1.0 - slurred) * INTO_DETACHED
        if finger_b == 0:
            return 0.05 * into
        if moved * up > 0:
            return into
        # The further off the glide begins, the less a finger alone can have made it.
        share = into * APPROACH_SHARE * math.exp(-max(abs(rise) - FINGER_ALONE, 0.0))
        return share if moved == 0 else 0.3 * share
    if kind == CANNOT_TELL:
        return CANNOT_TELL_SHARE if abs(moved) > 0 else 0.2 * CANNOT_TELL_SHARE
    if finger_a == finger_b:
        if finger_a == 0 or kind != SAME:
            return 0.02
        return 1.0
    if kind == SAME:
        # An unbroken glide between two fingers: the step was too small or too quick to be found.
        return 0.03 if abs(finger_a % THUMB - finger_b % THUMB) > 1 else 0.12
    if kind == DEPARTING:
        if finger_a == 0 or not math.isfinite(step_from):
            return 0.02
        if finger_b == 0:
            return 0.1
        fit = _at_finger(reach, place_b, finger_a, finger_b, stop_b, step_from) / UNIFORM
        return hearing.departing * fit
    if kind == ARRIVING:
        if finger_b == 0 or not math.isfinite(step_to):
            return 0.02
        if finger_a == 0:
            return 0.1
        fit = _at_finger(reach, place_a, finger_b, finger_a, stop_a, step_to) / UNIFORM
        return hearing.arriving * fit
    if finger_a == 0 or finger_b == 0 or not math.isfinite(step_from) or not math.isfinite(step_to):
        return 0.02
    # two_finger: the step is the distance of the two fingers wherever the hand then is.
    place = (place_a + place_b) // 2
    found = 0.0
    total = 0.0
    for low in range(reach.shape[2]):
        for high in range(reach.shape[2]):
            weight = reach[place, finger_a, low] * reach[place, finger_b, high]
            if weight > 0.0 and (high - low) * (finger_b % THUMB - finger_a % THUMB) > 0:
                total += weight
                found += weight * _density(step_to - step_from - (high - low))
    return hearing.two * _or_outlier(found, total) / UNIFORM


def kinds_by_break(slides_kinds: Floats, *, to_gap: Floats, from_gap: Floats) -> Floats:
    """Probabilities of the kinds (m, 6) after a look at where the break lies.

    ``to_gap`` is from the end of the step to the second note, ``from_gap`` from the first note to its beginning,
    in semitones, NaN where the glide is unbroken. The step of ``departing_finger`` ends on the second note, that of
    ``arriving_finger`` begins on the first, and ``same_finger`` alone has none.
    """
    broken = np.isfinite(to_gap) & np.isfinite(from_gap)
    ends, begins = (np.exp(-0.5 * (np.nan_to_num(gap) / GAP) ** 2) for gap in (to_gap, from_gap))
    weight = np.ones_like(slides_kinds)
    weight[broken, SAME] = NO_BREAK
    weight[broken, DEPARTING] = ends[broken] + NO_BREAK
    weight[broken, ARRIVING] = begins[broken] + NO_BREAK
    weight[broken, TWO] = BETWEEN
    for kind in (DEPARTING, ARRIVING, TWO):
        weight[~broken, kind] = NO_BREAK
    weighed: Floats = slides_kinds * weight
    weighed /= weighed.sum(axis=1, keepdims=True)
    return weighed


@compiled_within()
def slide_fit(
    hearing: Hearing,
    reach: Floats,
    kinds: Floats,
    one: tuple[int, int, int, int],
    other: tuple[int, int, int, int],
    step_from: float,
    step_to: float,
    rise: float,
    slurred: float,
) -> float:
    """``kind_fit`` over all kinds, each by the evidence that the measured slide is of that kind."""
    fit = 0.0
    for kind in range(COUNT_OF_KINDS):
        if kinds[kind] > 1e-4:
            fit += (
                kinds[kind]
                / KIND_PRIOR[kind]
                * kind_fit(
                    hearing,
                    reach,
                    kind,
                    one,
                    other,
                    step_from,
                    step_to,
                    rise,
                    slurred,
                )
            )
    return fit
