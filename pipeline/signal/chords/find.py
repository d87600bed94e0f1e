"""Chords of a sound, each with its notes followed, timed and measured."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipeline.signal.chords.grid import F32, HOP, HOP_S, PER_SEMITONE, at_rate, midi_of_bins
from pipeline.signal.chords.judge import Sounding, which_sound
from pipeline.signal.chords.measures import NoteMeasures, measure_note
from pipeline.signal.chords.octaves import octave_probability
from pipeline.signal.chords.onsets import Edge, edges
from pipeline.signal.chords.order import Order, Timed, order_of
from pipeline.signal.chords.partials import HOP as FINE
from pipeline.signal.chords.partials import HOP_S as FINE_S
from pipeline.signal.chords.partials import Course, course_of, levels_along, own_partials
from pipeline.signal.chords.spans import Note, Span, is_above, notes_of, spans_of
from pipeline.signal.hand.fingerboard import Fingerboard
from pipeline.units import A4_HZ, Floats, db_of_gain, hz_of_midi, midi_of_hz

Correction = Callable[[Floats], Floats]
"""Semitones to add to a pitch of the transfer at 440 Hz, at times of the transfer, for the true one at its tuning."""

PER_FRAME = HOP // FINE
AROUND_S = 0.4
"""Stretch beside a note over which its partials are looked at for its edges."""
LEVEL_PARTIALS = 5  # lowest partials whose level is a note's (common practice, no source)
SURE_BESIDE, WHOLE_BESIDE = 0.8, 0.85
"""Where somebody may play beside, whose notes pass for a second string: probability from which on a chord is claimed,
and that exactly these notes are bowed from which on a string is said to sound later. Of real single violin notes strung
together over a real piano 6 dB under them 3 stretches a minute are called a chord (16 with all that is claimed of a
player alone); of chords there 85 % are found (95 %). Of such claims of violins and violas over a piano 6 and 12 dB
under them 165 of 167 are right, and one in 40 minutes of single lines is made (``benchmarks.chords``)."""


@dataclass(frozen=True)
class ChordNote:
    """One note of a chord.

    ``fresh``: it begins with the chord. ``time_s``, ``midi``, ``error_cents`` (n,): its curve, at the true tuning, from
    its start to its end in times of the transfer. ``octave``: it lies an octave or a twelfth above another;
    ``octave_probability`` that one sounds above it which is not among the chord's notes.
    """

    start: Edge
    end: Edge
    fresh: bool
    bowed: float
    own: tuple[int, ...]
    octave: bool
    octave_probability: float
    level_db: float
    time_s: Floats
    midi: Floats
    error_cents: Floats
    measures: NoteMeasures


@dataclass(frozen=True)
class Chord:
    """Two to four notes under one bow, lowest first; times of the transfer.

    ``probability`` that two or more are bowed, ``whole`` that exactly these are.
    """

    start_s: float
    end_s: float
    notes: tuple[ChordNote, ...]
    order: Order
    probability: float
    whole: float


def find_chords(
    samples: F32,
    *,
    sample_rate_hz: float,
    board: Fingerboard,
    correction: Correction,
    alone: bool = True,
) -> list[Chord]:
    """All chords of a sound.

    Parameters
    ----------
    board : the instrument as tuned; what it cannot stop together is no chord.
    correction : see ``Correction``.
    alone : whether it is known that nobody plays beside; else what is claimed must be surer (``SURE_BESIDE``).
    """
    sound = at_rate(samples, sample_rate_hz=sample_rate_hz)
    sounding = which_sound(sound, instrument=board.instrument)
    return chords_of(sound, sounding, board=board, correction=correction, alone=alone)


def chords_of(
    sound: F32, sounding: Sounding, *, board: Fingerboard, correction: Correction, alone: bool = True
) -> list[Chord]:
    """Chords among what sounds, ``sound`` being at the rate of the analysis."""
    midi = midi_of_bins(sounding.bins) + correction(sounding.time_s)[:, None]
    notes = notes_of(sounding, board=board, midi=midi)
    spans = [span for span in spans_of(notes) if alone or span.probability >= SURE_BESIDE]
    return [_chord(sound, sounding, span, notes, board, correction, alone) for span in spans]


def _chord(
    sound: F32,
    sounding: Sounding,
    span: Span,
    notes: Sequence[Note],
    board: Fingerboard,
    correction: Correction,
    alone: bool,
) -> Chord:
    first, last = min(note.first for note in span.notes), max(note.last for note in span.notes)
    around = [note for note in notes if note.first < last and note.last > first]
    followed = [_followed(sound, note, _beside(note, span, around), board.instrument) for note in span.notes]
    loudness = np.array([_level_db(course) for course, _, _ in followed])
    loudest = loudness[np.isfinite(loudness)].max(initial=-np.inf)
    made = []
    for i, (note, (course, start, end)) in enumerate(zip(span.notes, followed, strict=True)):
        pitch = midi_of_hz(course.hz, reference_pitch_hz=A4_HZ) + correction(course.time_s)
        inside = (course.time_s >= start.time_s) & (course.time_s <= end.time_s)
        above = [(note.pitch_bin - other.pitch_bin) / PER_SEMITONE for other in span.notes]
        made.append(
            ChordNote(
                start=start,
                end=end,
                fresh=span.fresh[i],
                bowed=note.bowed,
                own=course.own,
                octave=any(map(is_above, above)),
                octave_probability=octave_probability(note, span.notes, sounding),
                level_db=float(loudness[i] - loudest),
                time_s=course.time_s[inside],
                midi=pitch[inside],
                error_cents=course.error_cents[inside],
                measures=measure_note(course.time_s, pitch, course.error_cents, start_s=start.time_s, end_s=end.time_s),
            )
        )
    timed = [
        Timed(note.start, note.end, note.fresh, len(note.own), heard.first * HOP_S, note.bowed, heard.surest)
        for note, heard in zip(made, span.notes, strict=True)
    ]
    order = order_of(timed, instrument=board.instrument, sure=alone or span.whole >= WHOLE_BESIDE)
    return Chord(span.first * HOP_S, span.last * HOP_S, tuple(made), order, span.probability, span.whole)


def _beside(note: Note, span: Span, notes: Sequence[Note]) -> list[Note]:
    """The other notes of a chord, and what else sounds for half of a note's time."""
    near = [
        other
        for other in notes
        if 2 * (min(other.last, note.last) - max(other.first, note.first)) > note.last - note.first
    ]
    return [other for other in (*span.notes, *(n for n in near if n not in span.notes)) if other is not note]


def _followed(sound: F32, note: Note, others: Sequence[Note], instrument: str) -> tuple[Course, Edge, Edge]:
    """A note's course, and its edges."""
    guess = _guess(note)
    rest = [_middle_hz(other) for other in others]
    own = own_partials(_middle_hz(note), rest)
    first = note.first * PER_FRAME
    course = course_of(sound, first=first, hz=guess, own=own, instrument=instrument)
    around = round(AROUND_S / FINE_S)
    wide = np.pad(course.hz, around, mode="edge")
    levels = levels_along(sound, first=first - around, hz=wide, own=own, instrument=instrument)
    start, end = edges(
        levels,
        first_s=(first - around) * FINE_S,
        begins=around,
        ends=around + note.bins.size * PER_FRAME,
        instrument=instrument,
    )
    return course, start, end


@lru_cache(maxsize=64)
def _middle_hz(note: Note) -> float:
    return float(np.median(_guess(note)))


@lru_cache(maxsize=64)
def _guess(note: Note) -> Floats:
    """Pitch in Hz of a note on the fine grid of times, from its places in frames, each the median of five."""
    known = np.flatnonzero(np.isfinite(note.bins))
    places = note.bins[known]
    near = np.lib.stride_tricks.sliding_window_view(np.pad(places, 2, mode="edge"), 5)
    at = np.arange(note.bins.size * PER_FRAME) / PER_FRAME
    midi = midi_of_bins(np.interp(at, known, np.sort(near, axis=1)[:, 2]))
    return np.asarray(hz_of_midi(midi, reference_pitch_hz=A4_HZ))


def _level_db(course: Course) -> float:
    """Level of a note by the middle level of its lowest own partials."""
    if not course.own:
        return float("nan")
    return float(db_of_gain(np.median(np.sqrt((course.levels[:LEVEL_PARTIALS] ** 2).sum(axis=0))) + 1e-12))
