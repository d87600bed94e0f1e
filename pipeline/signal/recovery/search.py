"""Chooses where slides are planted in a side, plants them, and looks for them with the follower and detector in use."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.kinds import Kind
from pipeline.overlap import SAME_SLIDE
from pipeline.signal.recovery.partials import Samples
from pipeline.signal.recovery.planting import JOIN_S, Planting, planted
from pipeline.signal.recovery.ringing import Change, measure_ringing
from pipeline.signal.slides.detect import Detection
from pipeline.signal.slides.frames import Line
from pipeline.signal.slides.measures import Slide
from pipeline.signal.slides.notes import Note
from pipeline.signal.synth.curve import audible_bounds
from pipeline.signal.synth.plan import PlannedSlide
from pipeline.units import A4_HZ, hz_of_midi, midi_of_hz

SHORTEST_S, LONGEST_S = 0.025, 0.4  # from what is hardly ever found to what is hardly ever missed
SMALLEST, LARGEST = 0.8, 12.5  # semitones: from hardly a slide to an octave (common practice, no source)
DEEPEST_DB = 6.0
"""Slides planted to fall further are found less often than such slides that were there (12 dB: .67 against .95)."""
KIND_SHARES = {Kind.SAME_FINGER: 0.4, Kind.DEPARTING_FINGER: 0.3, Kind.ARRIVING_FINGER: 0.3}
"""Shares of the kinds planted, where the interval leaves room for a step and a glide of a tone (no source)."""
HELD_S = 0.1
"""Of each note at least so much is left beside the slide."""
ASTRAY = 0.6
"""Semitones; where the line at the slide's ends is further from the notes' interval, it is in no note there."""
LONG_S = 0.25  # from here on a note has room for a slide of any length (common practice, no source)
SHAPES = ("linear", "cosine", "logistic")


@dataclass(frozen=True)
class Recovered:
    """One planted slide: times of the transfer, and the find that is it, if there is one."""

    slide: PlannedSlide
    fall_db: float
    audible_start_s: float
    audible_end_s: float
    found: Slide | None


def recover(
    samples: Samples,
    *,
    sample_rate_hz: float,
    line: Line,
    detection: Detection,
    chords: Sequence[tuple[float, float]] = (),
    plantings: int,
    rng: np.random.Generator,
    look: Callable[[Samples], Detection],
) -> list[Recovered]:
    """Plant slides in a side and look for them.

    Parameters
    ----------
    line, detection : what was followed and found on the side as it is.
    chords : when chords begin and end, in s of the transfer: nothing is planted there, where finds count in no rate.
    plantings : how many are planted at most; fewer where the side has not as many changes of note without a slide.
    look : follows a sound of the same length and finds its slides.
    """
    sound = np.array(samples, dtype=np.float32)
    chosen = choose(line, detection, chords=chords, plantings=plantings, rng=rng)
    ringing = measure_ringing(sound, _long_changes(detection), sample_rate_hz=sample_rate_hz)
    time_s, f0_hz = np.asarray(line.time_s), np.asarray(line.f0_hz)
    for planting in chosen:
        where, part = planted(
            samples,
            planting,
            time_s=time_s,
            f0_hz=f0_hz,
            ringing=ringing,
            rng=rng,
            sample_rate_hz=sample_rate_hz,
        )
        sound[where] = part
    found = look(sound).slides if chosen else ()
    return [_recovered(planting, found) for planting in chosen]


def choose(
    line: Line,
    detection: Detection,
    *,
    chords: Sequence[tuple[float, float]] = (),
    plantings: int,
    rng: np.random.Generator,
) -> list[Planting]:
    """Slides to plant, each on a change of note of its own; lengths log-uniform, sizes as even as changes allow."""
    open_changes = [pair for pair in _changes(line, detection) if not _within(chords, *pair)]
    sizes = np.array([round(abs(b.midi - a.midi)) for a, b in open_changes])
    often = {int(size): int(np.sum(sizes == size)) for size in set(sizes.tolist())}
    free = np.ones(len(detection.notes), dtype=bool)
    number = {id(note): i for i, note in enumerate(detection.notes)}
    made: list[Planting] = []
    for _ in range(3 * plantings):
        if len(made) == plantings:
            break
        seconds = float(np.exp(rng.uniform(np.log(SHORTEST_S), np.log(LONGEST_S))))
        # Where the glide lies about the change (common practice, no source).
        place = float(rng.uniform(0.2, 0.8))
        fitting = [
            (a, b)
            for a, b in open_changes
            if free[number[id(a)]]
            and free[number[id(b)]]
            and b.transfer_start_s - a.transfer_start_s > _early(b, place) * seconds + HELD_S
            and b.transfer_end_s - b.transfer_start_s > (1.0 - _early(b, place)) * seconds + HELD_S
        ]
        if not fitting:
            continue
        weight = np.array([1.0 / (often[round(abs(b.midi - a.midi))] * abs(b.midi - a.midi)) for a, b in fitting])
        a, b = fitting[int(rng.choice(len(fitting), p=weight / weight.sum()))]
        free[[number[id(a)], number[id(b)]]] = False
        start_s = b.transfer_start_s - _early(b, place) * seconds
        planting = _planting(line, a, b, start_s, start_s + seconds, rng)
        if abs(planting.slide.to_midi - planting.slide.from_midi - (b.midi - a.midi)) < ASTRAY:
            made.append(planting)
    return made


def _changes(line: Line, detection: Detection) -> list[tuple[Note, Note]]:
    """Changes of note that count as chances and have no slide, the line unbroken in both notes."""
    slid = {slide.to_note for slide in detection.slides} | {slide.from_note for slide in detection.slides}
    time_s, known = np.asarray(line.time_s), np.isfinite(line.f0_hz)
    made = []
    for pair in detection.transitions:
        a, b = detection.notes[pair.from_note], detection.notes[pair.to_note]
        inside = (time_s >= a.transfer_start_s) & (time_s < b.transfer_end_s)
        if (
            pair.exposure
            and not {pair.from_note, pair.to_note} & slid
            and SMALLEST <= abs(b.midi - a.midi) <= LARGEST
            and inside.any()
            and known[inside].mean() > 0.9
            and b.transfer_start_s - a.transfer_end_s < 0.1
        ):
            made.append((a, b))
    return made


def _within(chords: Sequence[tuple[float, float]], a: Note, b: Note) -> bool:
    return any(start_s < b.transfer_end_s and a.transfer_start_s < end_s for start_s, end_s in chords)


def _early(b: Note, place: float) -> float:
    """The share of a slide that lies before the change to note ``b``. One stroke carries a slide: where a new one
    begins the note, the slide ends there or begins there."""
    return place if b.rebowed_probability < 0.5 else float(round(place))


def _planting(line: Line, a: Note, b: Note, start_s: float, end_s: float, rng: np.random.Generator) -> Planting:
    """A slide from the old note's pitch to the new one's, both calm where it cuts into them."""
    low, high = (_pitch(line, note, at_s) for note, at_s in ((a, start_s), (b, end_s)))
    kind, step_from, step_to = Kind.SAME_FINGER, None, None
    size, up = abs(high - low), 1.0 if high > low else -1.0
    # A step of a semitone and a glide of a tone have room (common practice, no source).
    if size > 2.7:
        kind = Kind(str(rng.choice(list(KIND_SHARES), p=list(KIND_SHARES.values()))))
        glided = up * float(rng.uniform(1.8, size - 0.9))
        if kind == Kind.DEPARTING_FINGER:
            step_from, step_to = low + glided, high
        elif kind == Kind.ARRIVING_FINGER:
            step_from, step_to = low, high - glided
    slide = PlannedSlide(0, 1, kind, start_s, end_s, low, high, step_from, step_to, shape=str(rng.choice(SHAPES)))
    return Planting(
        slide,
        float(rng.uniform(0.0, DEEPEST_DB)),
        0.5 * (a.transfer_end_s + b.transfer_start_s),
        a.transfer_start_s,
        b.transfer_end_s,
    )


def _pitch(line: Line, note: Note, at_s: float) -> float:
    """Pitch of a note where a slide leaves or reaches it: the middle of what it shakes between, or the line's own at
    its very beginning or end."""
    time_s = np.asarray(line.time_s)
    inside = (time_s >= note.transfer_start_s + 0.02) & (time_s <= note.transfer_end_s - 0.02)
    inside &= np.isfinite(line.f0_hz)
    midi = midi_of_hz(np.asarray(line.f0_hz)[inside], reference_pitch_hz=A4_HZ)
    if note.transfer_start_s + JOIN_S < at_s < note.transfer_end_s - JOIN_S:
        return float(np.quantile(midi, (0.1, 0.9)).mean())
    return float(np.interp(at_s, time_s[inside], midi))


def _long_changes(detection: Detection) -> list[Change]:
    slid = {slide.to_note for slide in detection.slides}
    made = []
    for pair in detection.transitions:
        a, b = detection.notes[pair.from_note], detection.notes[pair.to_note]
        shortest = min(a.transfer_end_s - a.transfer_start_s, b.transfer_end_s - b.transfer_start_s)
        if pair.to_note not in slid and pair.exposure and shortest > LONG_S:
            hz = hz_of_midi([a.midi, b.midi], reference_pitch_hz=A4_HZ)
            made.append(Change(b.transfer_start_s, float(hz[0]), float(hz[1])))
    return made


def _recovered(planting: Planting, found: tuple[Slide, ...]) -> Recovered:
    slide = planting.slide
    start_s, end_s = audible_bounds(slide)
    best, most = None, SAME_SLIDE
    for other in found:
        shared = min(end_s, other.transfer_audible_end_s) - max(start_s, other.transfer_audible_start_s)
        joined = max(end_s, other.transfer_audible_end_s) - min(start_s, other.transfer_audible_start_s)
        if (slide.to_midi - slide.from_midi) * other.interval_cents > 0 and shared > most * joined:
            best, most = other, shared / joined
    return Recovered(slide, planting.fall_db, start_s, end_s, best)
