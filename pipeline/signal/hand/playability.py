"""What a hand does lightly and what it does with effort, and what each slide, or its absence, says about the hand.

All weights are in nats (natural logarithms of odds). None of them is published as a number for historical
playing: they are common practice, no source, and stand in the settings. What they express is old teaching: stay
in position, shift as little as needed, lower positions first, no finger jumps, the next finger for the next note.

A slide is judged against a pair of stops (``heard``): whether the two can be on one string, whether the finger
that travels would be where the glide breaks, and how often such a shift is heard at all. A shift that should have
been heard and was not speaks against the pair. A stop is handed on as (string, finger, place, stop), the last two
in semitones above the open string.
"""

from typing import NamedTuple

import numba
import numpy as np

from pipeline.signal.hand.fingerboard import (
    LARGEST_OFFSET,
    SMALLEST_OFFSET,
    THUMB_FROM,
    Fingerboard,
    position_number,
)
from pipeline.units import Floats


class Costs(NamedTuple):
    """The weights; see ``pipeline.settings.HandSettings`` for the meaning, unit and default of each."""

    shift: float
    shift_per_semitone: float
    shift_across: float
    landing: float
    half_step_shift: float
    open_string_eases: float
    crossing: float
    far_crossing: float
    finger_hop: float
    restop: float
    high_place: float
    even_position: float
    off_scale: float
    thumb: float
    covered: float
    strain: float
    harmonic: float
    open_string: float
    fast_note_s: float
    cut_s: float
    rest_s: float
    free_s: float
    rest_freedom: float
    needless_stretch: float
    needless_shift: float
    intonation_semitones: float
    open_string_semitones: float
    step_semitones: float
    outlier_share: float
    strained_weight: float
    departing_share: float
    arriving_share: float
    two_finger_share: float
    audible_slurred: float
    audible_detached: float
    audible_beyond: float
    audible_without_shift: float
    approach_share: float
    tempering: float
    evidence_weight: float
    silent_tempering: float


Habit = tuple[tuple[float, float], ...]


class Habits(NamedTuple):
    """What players may be like, each a list of (factor, share of players); see ``pipeline.settings.HandSettings``.

    ``heard`` multiplies the odds of a shift along a string being heard, ``crossing`` the weight of crossing strings,
    ``effort`` all weights of playability; ``unforeseeing`` is the share of players who do not look ahead.
    """

    heard: Habit
    crossing: Habit
    effort: Habit
    unforeseeing: float


STEPWISE = 2.6
"""Semitones up to which two notes are neighbours in a scale."""
OFF_SCALE_NOTES, RAISED_SEVENTH = 0.05, 0.3
"""Share of notes foreign to the scale, and the odds of a harmonic minor scale against a major one."""
UNIFORM = 1.0 / 12.0
"""Density of the pitch of a break, per semitone, under a hand that says nothing about it."""
SAME, DEPARTING, ARRIVING, TWO, INTO, CANNOT_TELL = range(6)
GAP, NO_BREAK, BETWEEN = 0.3, 0.05, 0.3
"""Spread in semitones of a step's end about the note that it meets, and what a kind keeps that it does not fit."""
# Shares of the kinds that a classifier's probabilities already contain; dividing by them leaves the evidence.
KIND_PRIOR = np.array([0.35, 0.25, 0.2, 0.1, 0.05, 0.05])


@numba.njit(cache=True)
def stop_weight(costs: Costs, finger: int, stop: int, strained: int, harmonic: bool, top_string: bool) -> float:
    """Log weight of one stop taken by itself."""
    weight = -costs.strain * strained
    if not top_string:
        weight -= costs.covered * max(stop - 7, 0)
    if finger == 0:
        weight -= costs.open_string
    if harmonic:
        weight -= costs.harmonic
    return weight


def entry_weights(board: Fingerboard, costs: Costs, *, in_scale: Floats) -> Floats:
    """Log weight of choosing each hand place, at the beginning of a passage or by a shift; (strings, places + 1).

    Low positions come first, odd ones before even ones, the first finger rather on a note of the scale, and a
    cellist does not take to the thumb lightly. ``in_scale`` (12,) is the probability that each pitch class, C
    first, belongs to the scale.
    """
    weights = np.zeros((len(board.strings), board.highest_place + 1))
    for place in range(1, board.highest_place + 1):
        weights[:, place] = -costs.high_place * max(place - 2, 0)
        if place == 1 or position_number(place) % 2 == 0:
            weights[:, place] -= costs.even_position
        if board.instrument == "cello" and place >= THUMB_FROM:
            weights[:, place] -= costs.thumb
        for string, opened in enumerate(board.open_midi):
            weights[string, place] -= costs.off_scale * (1.0 - in_scale[round(opened + place) % 12])
    return weights


def scale_membership(midi: Floats) -> Floats:
    """Probability (12,) that each pitch class, C first, belongs to the scale of the notes.

    Major scales, and minor ones with a raised seventh, are weighed by how many notes they hold.
    """
    scales = np.zeros((24, 12))
    for tonic in range(12):
        scales[tonic, [(tonic + step) % 12 for step in (0, 2, 4, 5, 7, 9, 11)]] = 1.0
        scales[12 + tonic, [(tonic + step) % 12 for step in (0, 2, 3, 5, 7, 8, 11)]] = 1.0
    counts = np.bincount(np.round(midi[np.isfinite(midi)]).astype(np.int64) % 12, minlength=12)
    inside, outside = np.log((1.0 - OFF_SCALE_NOTES) / 7.0), np.log(OFF_SCALE_NOTES / 5.0)
    logs = (scales * inside + (1.0 - scales) * outside) @ counts
    logs[12:] += np.log(RAISED_SEVENTH)
    weights = np.exp(logs - logs.max())
    membership: Floats = weights @ scales / weights.sum()
    return membership


@numba.njit(cache=True)
def move_weight(
    costs: Costs,
    one: tuple[int, int, int, int],
    other: tuple[int, int, int, int],
    rise: float,
    apart_s: float,
    entry: float,
) -> float:
    """Log weight of going from stop a to stop b, without that of crossing strings; -inf where one hand cannot.

    ``rise`` is the interval in semitones; ``entry`` the weight of choosing the second place (``entry_weights``),
    paid when the hand shifts; ``apart_s`` the time between the beginnings of the two notes: quick notes leave no
    time to shift.
    """
    string_a, finger_a, place_a, stop_a = one
    string_b, finger_b, place_b, stop_b = other
    moved = abs(place_b - place_a)
    crossed = abs(string_b - string_a)
    same_pitch = abs(rise) < 0.5
    stopped = finger_a > 0 and finger_b > 0
    weight = 0.0
    jumps = moved > 1
    within = stopped and crossed == 0 and moved <= 1 and finger_a != finger_b and stop_a != stop_b
    if within and (finger_b > finger_a) != (stop_b > stop_a):
        # Within one place of the hand the higher finger plays the higher note.
        jumps = True
        if moved == 0:
            return -np.inf
    if stopped and crossed == 0 and finger_a != finger_b and stop_a == stop_b and not same_pitch:
        jumps = True
    ease = costs.open_string_eases if not stopped else 1.0
    if jumps:
        weight += entry - ease * (costs.shift + costs.shift_per_semitone * moved)
        if crossed > 0 and stopped:
            weight -= costs.shift_across
        if abs(rise) <= STEPWISE and finger_b > 0:
            # In a scale the hand shifts so as to have fingers left for the notes to come.
            weight -= costs.landing * (finger_b - 1 if rise > 0 else 4 - finger_b)
        if apart_s < costs.fast_note_s:
            weight -= costs.shift * (1.0 - apart_s / costs.fast_note_s)
    elif moved == 1:
        weight -= ease * costs.half_step_shift
    if stopped and finger_a == finger_b and stop_a != stop_b and not jumps and (crossed > 0 or moved == 0):
        weight -= costs.finger_hop
    if same_pitch and (crossed > 0 or finger_a != finger_b):
        weight -= costs.restop
    return weight


@numba.njit(cache=True)
def crossing_weight(costs: Costs, crossed: int) -> float:
    """Log weight of going ``crossed`` strings on."""
    if crossed == 0:
        return 0.0
    return -costs.crossing - costs.far_crossing * (crossed - 1)


@numba.njit(cache=True)
def audible_share(
    costs: Costs, one: tuple[int, int, int, int], other: tuple[int, int, int, int]
) -> tuple[float, float]:
    """How likely a slide is heard between two stops: a probability, and what to add of that of a plain shift."""
    string_a, finger_a, place_a, stop_a = one
    string_b, finger_b, place_b, stop_b = other
    moved = abs(place_b - place_a)
    if string_a != string_b:
        return costs.audible_without_shift * (3.0 if moved > 1 else 0.5), 0.0
    if finger_a == 0 or finger_b == 0:
        return costs.audible_without_shift * 2.0, 0.0
    if finger_a == finger_b and stop_a != stop_b:
        return 0.0, 1.0 if moved > 1 else 0.8
    if moved > 1:
        # The first finger would have to travel beyond the target: mostly kept silent.
        beyond = (finger_b - finger_a) * (place_b - place_a) < 0
        return 0.0, costs.audible_beyond if beyond else 1.0
    return costs.audible_without_shift, 0.0


@numba.njit(cache=True)
def _density(costs: Costs, away: float) -> float:
    """Normal density of a break measured ``away`` semitones off."""
    z = away / costs.step_semitones
    return float(np.exp(-0.5 * z * z) / (costs.step_semitones * 2.5066282746310002))


@numba.njit(cache=True)
def _or_outlier(costs: Costs, found: float, total: float) -> float:
    """Density over all offsets that the hand allows, or that of a break that says nothing."""
    told = (1.0 - costs.outlier_share) * found / total if total > 0.0 else 0.0
    return told + costs.outlier_share * UNIFORM


@numba.njit(cache=True)
def _at_finger(
    reach: Floats, costs: Costs, place: int, finger: int, other_finger: int, other_stop: int, pitch: float
) -> float:
    """Density per semitone of a break at ``pitch`` (semitones above the open string) if ``finger`` made it.

    The hand is at ``place``, where ``other_finger`` stands at ``other_stop``: fingers do not cross.
    """
    found = 0.0
    total = 0.0
    for offset in range(SMALLEST_OFFSET, LARGEST_OFFSET + 1):
        weight = reach[place, finger, offset - SMALLEST_OFFSET]
        stop = place + offset
        if weight > 0.0 and (stop - other_stop) * (finger - other_finger) > 0:
            total += weight
            found += weight * _density(costs, pitch - stop)
    return _or_outlier(costs, found, total)


@numba.njit(cache=True)
def kind_fit(
    costs: Costs,
    reach: Floats,
    kind: int,
    one: tuple[int, int, int, int],
    other: tuple[int, int, int, int],
    step_from: float,
    step_to: float,
    rise: float,
) -> float:
    """Likelihood of a slide's kind and break under a pair of stops, against a hand that says nothing.

    ``step_from`` and ``step_to`` are semitones above the open string of b (NaN where the glide is unbroken);
    ``rise`` the slide's interval in semitones.
    """
    string_a, finger_a, place_a, stop_a = one
    string_b, finger_b, place_b, stop_b = other
    if string_a != string_b:
        return 0.02
    moved = place_b - place_a
    up = 1.0 if rise > 0 else -1.0
    if kind == INTO:
        if finger_b == 0:
            return 0.05
        if moved * up > 0:
            return 1.0
        return costs.approach_share if moved == 0 else 0.3 * costs.approach_share
    if kind == CANNOT_TELL:
        return 0.5 if abs(moved) > 0 else 0.1
    if finger_a == finger_b:
        if finger_a == 0 or kind != SAME:
            return 0.02
        return 1.0
    if kind == SAME:
        # An unbroken glide between two fingers: the step was too small or too quick to be found.
        return 0.03 if abs(finger_a - finger_b) > 1 else 0.12
    if kind == DEPARTING:
        if finger_a == 0 or not np.isfinite(step_from):
            return 0.02
        if finger_b == 0:
            return 0.1
        fit = _at_finger(reach, costs, place_b, finger_a, finger_b, stop_b, step_from) / UNIFORM
        return costs.departing_share * fit
    if kind == ARRIVING:
        if finger_b == 0 or not np.isfinite(step_to):
            return 0.02
        if finger_a == 0:
            return 0.1
        fit = _at_finger(reach, costs, place_a, finger_b, finger_a, stop_a, step_to) / UNIFORM
        return costs.arriving_share * fit
    if finger_a == 0 or finger_b == 0 or not np.isfinite(step_from) or not np.isfinite(step_to):
        return 0.02
    # two_finger: the step is the distance of the two fingers wherever the hand then is.
    place = (place_a + place_b) // 2
    found = 0.0
    total = 0.0
    for low in range(reach.shape[2]):
        for high in range(reach.shape[2]):
            weight = reach[place, finger_a, low] * reach[place, finger_b, high]
            if weight > 0.0 and (high - low) * (finger_b - finger_a) > 0:
                total += weight
                found += weight * _density(costs, step_to - step_from - (high - low))
    return costs.two_finger_share * _or_outlier(costs, found, total) / UNIFORM


def kinds_by_break(slides_kinds: Floats, *, to_gap: Floats, from_gap: Floats) -> Floats:
    """Probabilities of the kinds (m, 6) after a look at where the break lies.

    ``to_gap`` is from the end of the step to the second note, ``from_gap`` from the first note to its beginning,
    in semitones, NaN where the glide is unbroken. The step of ``departing_finger`` ends on the second note, that of
    ``arriving_finger`` begins on the first, and ``same_finger`` has none.
    """
    broken = np.isfinite(to_gap) & np.isfinite(from_gap)
    ends, begins = (np.exp(-0.5 * (np.nan_to_num(gap) / GAP) ** 2) for gap in (to_gap, from_gap))
    weight = np.ones_like(slides_kinds)
    weight[broken, SAME] = NO_BREAK
    weight[broken, DEPARTING] = ends[broken] + NO_BREAK
    weight[broken, ARRIVING] = begins[broken] + NO_BREAK
    weight[broken, TWO] = BETWEEN
    weighed: Floats = slides_kinds * weight
    weighed /= weighed.sum(axis=1, keepdims=True)
    return weighed


@numba.njit(cache=True)
def slide_fit(
    costs: Costs,
    reach: Floats,
    kinds: Floats,
    one: tuple[int, int, int, int],
    other: tuple[int, int, int, int],
    step_from: float,
    step_to: float,
    rise: float,
) -> float:
    """``kind_fit`` over all kinds, each by the evidence that the measured slide is of that kind."""
    fit = 0.0
    for kind in range(6):
        if kinds[kind] > 1e-4:
            fit += (
                kinds[kind]
                / KIND_PRIOR[kind]
                * kind_fit(
                    costs,
                    reach,
                    kind,
                    one,
                    other,
                    step_from,
                    step_to,
                    rise,
                )
            )
    return fit
