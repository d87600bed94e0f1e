"""The compiled chain over stops: candidates of each note, and what is liked and heard of each.

Kernels are plain loops over arrays that thin functions of the same name allocate: they compile in a fraction of the
time that array expressions take.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.compiled import bell, compiled
from pipeline.signal.hand.features import STOP_NAMES, scale_membership
from pipeline.signal.hand.fingerboard import LARGEST_OFFSET
from pipeline.signal.hand.heard import kinds_by_break
from pipeline.units import Floats

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

OFF_PITCH = 0.7
"""Semitones that a note may be off the pitch of a stop."""
STOPPED_SPREAD, OPEN_SPREAD = 0.25, 0.1
"""Spread in semitones of stopped notes about equal temperament, and of open strings and harmonics about their
nominal pitch (common practice, no source)."""
ANY_PITCH = 0.02  # density of a pitch that no stop explains, per semitone over root two pi (common practice, no source)
VIBRATO_ON_OPEN = 0.02  # share of open strings on which a vibrato is measured: errors (common practice, no source)
VIBRATO_ON_HARMONIC = 0.1  # the same of harmonics (common practice, no source)
SLIDE_PRIOR = 0.2
"""Share of slides that a confidence in one already contains; dividing by it leaves the evidence, as with kinds."""
WIDEST_BREAK = LARGEST_OFFSET + 1.0
"""Semitones between two fingers beyond which a measured break is an error."""


class Arrays(NamedTuple):
    """The open strings, the stop table (see ``fingerboard.StopTable``) and ``fingerboard.close_places``."""

    open_midi: Floats
    first: Ints
    string: Ints
    finger: Ints
    place: Ints
    stop: Ints
    harmonic: Bools
    reach: Floats
    close: Bools


class Slides(NamedTuple):
    """Slides: probabilities of kinds (m, 6), pitches in MIDI (steps NaN where unbroken), confidence."""

    kinds: Floats
    from_midi: Floats
    to_midi: Floats
    step_from_midi: Floats
    step_to_midi: Floats
    confidence: Floats


def looked_at(slides: Slides) -> Slides:
    """The slides with their kinds weighed by where their breaks lie.

    A break wider than any hand is none of the hand's: such a slide says as little as if it had not been looked for.
    """
    kinds = kinds_by_break(
        slides.kinds,
        to_gap=slides.step_to_midi - slides.to_midi,
        from_gap=slides.step_from_midi - slides.from_midi,
    )
    wide = np.abs(np.nan_to_num(slides.step_to_midi - slides.step_from_midi)) > WIDEST_BREAK
    return slides._replace(kinds=kinds, confidence=np.where(wide, SLIDE_PRIOR, slides.confidence))


class Candidates(NamedTuple):
    """Candidate stops of each note.

    ``begins`` (notes + 1) is where each note's stops begin, ``stops`` their indices in the stop table, ``owner`` the
    note of each; ``sound`` is the log weight of what the pitch says, ``seen`` that of what vibrato or its absence says.
    A note that no string can sound has no stops.
    """

    begins: Ints
    stops: Ints
    owner: Ints
    sound: Floats
    seen: Floats


@compiled()
def _gather(table: Arrays, midi, vibrato, vibrato_share, begins, stops, owner, sound, seen):  # type: ignore[no-untyped-def]
    count = 0
    highest = table.first.shape[1] - 2
    for i in range(midi.shape[0]):
        for string in range(table.open_midi.shape[0]):
            above = midi[i] - table.open_midi[string]
            low = math.floor(above)
            for sounding in range(low, low + 2):
                off = above - sounding
                if sounding < 0 or sounding > highest or abs(off) >= OFF_PITCH:
                    continue
                for k in range(table.first[string, sounding], table.first[string, sounding + 1]):
                    opened, touched = table.finger[k] == 0, table.harmonic[k]
                    width = OPEN_SPREAD if opened or touched else STOPPED_SPREAD
                    stops[count] = k
                    owner[count] = i
                    sound[count] = math.log(bell(off / width) / width + ANY_PITCH)
                    seen[count] = 0.0
                    if math.isfinite(vibrato[i]):
                        share = vibrato_share
                        if opened:
                            share = VIBRATO_ON_OPEN
                        elif touched:
                            share = VIBRATO_ON_HARMONIC
                        seen[count] = math.log(share if vibrato[i] > 0.5 else 1.0 - share)
                    count += 1
        begins[i + 1] = count
    return count


def gather(table: Arrays, midi: Floats, vibrato: Floats, vibrato_share: float) -> Candidates:
    """Candidate stops of each note.

    ``vibrato`` is 1 where there is one, 0 where there is none, NaN where the note is too short to tell.
    """
    most = 2 * table.open_midi.size * int(np.diff(table.first, axis=1).max()) * max(midi.size, 1)
    begins = np.zeros(midi.size + 1, np.int64)
    stops, owner = np.empty((2, most), np.int64)
    sound, seen = np.empty((2, most))
    count = _gather(table, midi, vibrato, vibrato_share, begins, stops, owner, sound, seen)
    held = slice(count)
    return Candidates(begins, stops[held].copy(), owner[held].copy(), sound[held].copy(), seen[held].copy())


def features_of(notes: Candidates, table: Arrays, of_stops: Floats, midi: Floats) -> Floats:
    """Features (candidates, len(STOP_NAMES)) of the candidates: those of their stops, and what hangs on the notes."""
    found: Floats = of_stops[notes.stops]
    column = {name: found[:, k] for k, name in enumerate(STOP_NAMES)}
    string, finger, place = (part[notes.stops] for part in (table.string, table.finger, table.place))
    first_finger = np.round(table.open_midi[string] + place).astype(np.int64)
    column["off_scale"][:] = 1.0 - scale_membership(midi)[notes.owner, first_finger % 12]
    rise = np.sign(np.round(np.diff(midi)))
    before, after = np.concatenate([[0.0], rise])[notes.owner], np.concatenate([rise, [0.0]])[notes.owner]
    for each in (1, 2):
        column[f"finger_{each}_trough"][:] = (finger == each) & (before < 0) & (after > 0)
    column["finger_4_peak"][:] = (finger == 4) & (before > 0) & (after < 0)
    column["finger_4_before_higher"][:] = (finger == 4) & (after > 0)
    return found


@compiled()
def _note_weights(begins, logs, weights):  # type: ignore[no-untyped-def]
    whole = 0.0
    for i in range(begins.shape[0] - 1):
        if begins[i + 1] > begins[i]:
            best = logs[begins[i]]
            for j in range(begins[i], begins[i + 1]):
                best = max(best, logs[j])
            for j in range(begins[i], begins[i + 1]):
                weights[j] = math.exp(logs[j] - best)
            whole += best
    return whole


def note_weights(begins: Ints, logs: Floats) -> tuple[Floats, float]:
    """Weights of the candidates, the best of each note 1, and the log of all that was divided out."""
    weights = np.empty(logs.size)
    return weights, float(_note_weights(begins, logs, weights))
