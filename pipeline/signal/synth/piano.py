"""A chordal piano: its part in a key, and its sound from inharmonic, decaying partials.

Stretched partials follow f_h = h f_0 sqrt(1 + B h^2) (Fletcher, Blackham and Stratton 1962), with B growing
towards the treble; each partial decays in two stages, higher ones faster.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.compiled import compiled, compiled_within
from pipeline.signal.synth.keys import steps_of, tonic_of
from pipeline.signal.synth.plan import AccompanimentNote
from pipeline.units import Floats, gain_of_db, hz_of_midi, ratio_of_cents, ratio_of_semitones

_BLOCK = 64  # samples between values of the envelope


@dataclass(frozen=True)
class Piano:
    """One instrument: inharmonicity at middle C, decay of its first partial there, hardness of the hammer."""

    inharmonicity: float
    decay_s: float
    tilt: float
    detune_cents: float


def random_piano(rng: np.random.Generator) -> Piano:
    """A piano with a random scale, decay and hammer."""
    return Piano(
        inharmonicity=float(np.exp(rng.uniform(np.log(2e-4), np.log(6e-4)))),
        decay_s=float(rng.uniform(0.8, 2.0)),
        tilt=float(rng.uniform(0.9, 1.7)),
        detune_cents=float(rng.uniform(0.5, 3.0)),
    )


def accompany(rng: np.random.Generator, *, key: str, beat_s: float, length_s: float) -> tuple[AccompanimentNote, ...]:
    """Chords of the key through the whole side: block chords, bass and after-beats, or broken chords."""
    steps = steps_of(key)
    tonic = tonic_of(key)
    pattern = str(rng.choice(("block", "after_beats", "broken")))
    notes: list[AccompanimentNote] = []
    at, degree = 0.1, 0
    while at < length_s - 1.2:
        beats = int(rng.choice((2, 3, 4)))
        chord = [tonic + steps[(degree + 2 * i) % 7] for i in range(3)]
        bass = 36 + (chord[0] - 36) % 12 + (12 if rng.random() < 0.3 else 0)
        upper = sorted(52 + (pitch - 52) % 12 + (12 if rng.random() < 0.35 else 0) for pitch in chord)
        for beat in range(beats):
            when = at + beat * beat_s * float(rng.normal(1.0, 0.01)) + float(rng.normal(0.0, 0.008))
            when = max(0.0, when)
            loud = float(rng.normal(0.0, 1.5)) + (1.5 if beat == 0 else -1.0)
            if beat == 0 or pattern == "block":
                notes.append(AccompanimentNote(when, when + beat_s * 0.95, float(bass), loud))
            if pattern == "block" or (pattern == "after_beats" and beat > 0):
                spread = float(rng.uniform(0.0, 0.012))
                notes += [
                    AccompanimentNote(when + i * spread, when + beat_s * 0.9, float(p), loud)
                    for i, p in enumerate(upper)
                ]
            elif pattern == "broken":
                half = beat_s / 2
                notes += [
                    AccompanimentNote(when + i * half, when + beat_s * 1.2, float(upper[(2 * beat + i) % 3]), loud)
                    for i in range(2)
                ]
        at += beats * beat_s
        degree = int(rng.choice((0, 3, 4, 5, 1), p=(0.35, 0.2, 0.25, 0.1, 0.1)))
    return tuple(notes)


@compiled()
def _add_note(  # pragma: no cover
    out: npt.NDArray[np.float32],
    true_s: Floats,
    first: int,
    start_s: float,
    end_s: float,
    hz: Floats,
    amplitude: Floats,
    decay_s: Floats,
    phase: Floats,
) -> None:
    n = out.shape[0] // _BLOCK * _BLOCK
    for h in range(hz.shape[0]):
        i = first
        while i < n:
            stop = min(i + _BLOCK, n)
            age = true_s[i] - start_s
            late = true_s[stop - 1] - start_s
            level = amplitude[h] * _envelope(age, true_s[i] - end_s, decay_s[h])
            level_late = amplitude[h] * _envelope(late, true_s[stop - 1] - end_s, decay_s[h])
            if age > 0.01 and level < 5e-4:
                break
            turn = 2 * np.pi * hz[h] * (true_s[stop - 1] - true_s[i]) / max(1, stop - i - 1)
            at = 2 * np.pi * hz[h] * age + phase[h]
            slope = (level_late - level) / max(1, stop - i - 1)
            # Four phasors, each turned by four samples at a time, so that they do not wait for one another.
            c, s = np.cos(4 * turn), np.sin(4 * turn)
            re0, im0 = np.cos(at), np.sin(at)
            re1, im1 = np.cos(at + turn), np.sin(at + turn)
            re2, im2 = np.cos(at + 2 * turn), np.sin(at + 2 * turn)
            re3, im3 = np.cos(at + 3 * turn), np.sin(at + 3 * turn)
            for k in range(i, stop - 3, 4):
                out[k] += im0 * level
                out[k + 1] += im1 * (level + slope)
                out[k + 2] += im2 * (level + 2 * slope)
                out[k + 3] += im3 * (level + 3 * slope)
                re0, im0 = re0 * c - im0 * s, re0 * s + im0 * c
                re1, im1 = re1 * c - im1 * s, re1 * s + im1 * c
                re2, im2 = re2 * c - im2 * s, re2 * s + im2 * c
                re3, im3 = re3 * c - im3 * s, re3 * s + im3 * c
                level += 4 * slope
            i = stop


@compiled_within()
def _envelope(age_s: float, released_s: float, decay_s: float) -> float:  # pragma: no cover
    damp = np.exp(-max(0.0, released_s) / 0.06)
    rise = min(1.0, max(0.0, age_s) / 0.003)
    decayed = 0.75 * np.exp(-age_s / decay_s) + 0.25 * np.exp(-age_s / (4 * decay_s))
    return float(rise * damp * decayed)


def render_piano(
    notes: tuple[AccompanimentNote, ...],
    *,
    piano: Piano,
    rng: np.random.Generator,
    true_s: Floats,
    reference_pitch_hz: float,
    highest_hz: float,
) -> npt.NDArray[np.float32]:
    """Samples (n,) of the piano part, at the true times (n,) of the samples; not scaled.

    ``highest_hz`` limits the partials that are made.
    """
    out = np.zeros(true_s.size, dtype=np.float32)
    for note in notes:
        base = float(hz_of_midi(note.midi, reference_pitch_hz=reference_pitch_hz))
        base *= float(ratio_of_cents(rng.normal(0.0, piano.detune_cents)))
        stretch = piano.inharmonicity * float(ratio_of_semitones(note.midi - 60.0)) ** 0.8
        h = np.arange(1, 1 + max(1, min(20, int(highest_hz / base))), dtype=np.float64)
        hz = h * base * np.sqrt(1.0 + stretch * h * h)
        amplitude = gain_of_db(note.level_db) * np.abs(np.sin(np.pi * h / 8.3)) / h**piano.tilt
        amplitude *= rng.uniform(0.6, 1.4, size=h.size)
        decay_s = piano.decay_s * 2.0 ** (-(note.midi - 60.0) / 24.0) / (1.0 + 0.12 * (h - 1.0))
        first = int(np.searchsorted(true_s, note.start_s))
        phase = rng.uniform(0.0, 2.0 * np.pi, size=h.size)
        _add_note(out, true_s, first, note.start_s, note.end_s, hz, amplitude, decay_s, phase)
    return out
