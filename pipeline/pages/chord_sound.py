"""Chords to be heard slowly on the page of a side: each whole, and each of its notes by itself."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.pages.chords import ChordCurve
from pipeline.pages.sound import PAGE_RATE_HZ, Samples, excerpt
from pipeline.signal.chords.partials import APART_HZ
from pipeline.signal.recovery.partials import Tone, count_of, taken
from pipeline.units import Floats, hz_of_midi

BEFORE_S, LONGEST_S = 0.05, 1.0
"""What is heard before a chord, and how much of a long one: how it begins is what is asked."""


@dataclass(frozen=True)
class Heard:
    """The beginning of a chord, at ``PAGE_RATE_HZ`` from ``start_s`` on, and notes by themselves, by their numbers."""

    start_s: float
    whole: Samples
    notes: dict[int, Samples]


def chord_sounds(sound: Samples, curves: Sequence[ChordCurve], *, reference_pitch_hz: float) -> dict[str, Heard]:
    """Each chord of a side by its id; ``sound`` is the corrected sound, to whose time and pitch the curves belong."""
    chords: dict[str, list[ChordCurve]] = {}
    for curve in curves:
        chords.setdefault(curve.chord_id, []).append(curve)
    made = {}
    for chord_id, notes in chords.items():
        first_s = min(float(note.time_s[0]) for note in notes)
        start_s = max(0.0, first_s - BEFORE_S)
        end_s = min(max(float(note.time_s[-1]) for note in notes), first_s + LONGEST_S)
        whole = excerpt(sound, start_s=start_s, end_s=end_s)
        lines = [_hz(note, start_s=start_s, size=whole.size, reference_pitch_hz=reference_pitch_hz) for note in notes]
        alone = {note.number: _alone(whole, lines, i) for i, note in enumerate(notes)}
        made[chord_id] = Heard(start_s, whole, alone)
    return made


def _hz(note: ChordCurve, *, start_s: float, size: int, reference_pitch_hz: float) -> Floats:
    """Frequency (size,) of a note; where its curve has not begun or is over, that of its first or last moment."""
    at_s = start_s + np.arange(size) / PAGE_RATE_HZ
    return np.asarray(hz_of_midi(np.interp(at_s, note.time_s, note.midi), reference_pitch_hz=reference_pitch_hz))


def _alone(whole: Samples, lines: Sequence[Floats], at: int) -> Samples:
    """One note of a chord: its own partials, or all where it has none that is no other note's too."""
    if whole.size == 0:
        return whole
    count = count_of(float(lines[at].min()), sample_rate_hz=PAGE_RATE_HZ)
    tone = taken(
        whole.astype(np.float64),
        lines[at],
        sounding=(0, whole.size),
        partials=count,
        sample_rate_hz=PAGE_RATE_HZ,
    )
    hz = float(np.median(lines[at])) * np.arange(1, count + 1)
    others = [float(np.median(line)) for i, line in enumerate(lines) if i != at]
    own = np.array([all(abs(one - max(round(one / other), 1) * other) >= APART_HZ for other in others) for one in hz])
    keep = own if own.any() else np.ones(count, dtype=bool)
    return Tone(tone.phase, tone.amplitudes * keep[:, np.newaxis]).sound().astype(np.float32)
