"""Mixes of real single notes that the judges of chords never learned from, with the truth of each note.

Notes are read at any pitch, with vibrato and low or sharp beginnings, at levels 0 to 14 dB apart, some of them late,
and most ring on after the bow. The truth is each note's own: its curve followed by itself, and its onset where its own
envelope is 10 dB under its steady level.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import soxr

from pipeline.signal.chords.grid import RATE_HZ
from pipeline.signal.chords.partials import HOP, HOP_S, course_of
from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.signal.synth.degrade import level_through, random_chain, surface, through_chain
from pipeline.training.chord_scenes import random_chord
from tests.benchmarks import real_sound

Samples = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
# Chance of one, two, three and four notes at once.
AT_ONCE = (0.3, 0.35, 0.22, 0.13)


@dataclass(frozen=True)
class TrueNote:
    """One note: bowed from onset to ``end_s``; delay planted against its chord; its curve from ``curve_s`` on."""

    chord: int
    onset_s: float
    end_s: float
    delay_s: float
    level_db: float
    curve_s: float
    hz: Floats
    octave: bool = False

    @property
    def midi(self) -> float:
        """Its middle pitch at 440 Hz."""
        return 69.0 + 12.0 * float(np.log2(np.median(self.hz) / 440.0))


@dataclass(frozen=True)
class RealMix:
    """Samples at ``RATE_HZ`` and the notes in them; ``onset`` and ``end_s`` of a note are those of its sound."""

    samples: Samples
    notes: tuple[TrueNote, ...]


def at_analysis_rate(notes: dict[int, Samples]) -> dict[int, Samples]:
    """Notes read by ``real_sound.single_notes`` at the rate of the mixes."""
    return {m: np.asarray(soxr.resample(s, real_sound.RATE, RATE_HZ), dtype=np.float32) for m, s in notes.items()}


def source_pitches(notes: dict[int, Samples]) -> dict[int, float]:
    """How each source note is really tuned (MIDI at 440 Hz): the name is a semitone's at best."""
    found = {}
    for midi, sound in notes.items():
        hz = np.full(int(0.6 / HOP_S), 440.0 * 2 ** ((midi - 69) / 12))
        course = course_of(sound, first=int(0.25 / HOP_S), hz=hz, own=tuple(range(1, 5)), instrument="violin")
        found[midi] = 69.0 + 12.0 * float(np.log2(np.median(course.hz) / 440.0))
    return found


def real_mix(
    notes: dict[int, Samples], tuned: dict[int, float], *, instrument: str, seed: int, length_s: float
) -> RealMix:
    """One mix, dry and without noise."""
    rng = np.random.default_rng([7, seed])
    out = np.zeros(int((length_s + 3.0) * RATE_HZ), dtype=np.float32)
    board = fingerboard(instrument)
    listed: list[TrueNote] = []
    at, number = 0.3, 0
    while at < length_s - 2.0:
        count = int(rng.choice((1, 2, 3, 4), p=AT_ONCE))
        chord = random_chord(rng, board, count, None)
        lasts = float(rng.uniform(0.3, 1.3))
        delays = np.zeros(count)
        if count > 1 and rng.random() < 0.5:
            late = int(rng.integers(count))
            delays[late] = float(rng.uniform(0.03, 0.14))
        levels = -rng.uniform(0.0, 14.0 if rng.random() < 0.5 else 6.0, count)
        new = []
        for (_, midi, opened), delay, level in zip(chord, delays, levels, strict=True):
            sound, bowed_s = _played(rng, notes, tuned, midi, lasts - delay, opened=opened)
            sound *= np.float32(10.0 ** ((level - levels.max()) / 20.0))
            start = int((at + delay) * RATE_HZ)
            out[start : start + sound.size] += sound
            new.append(
                _true(sound, start, bowed_s, number, float(delay), float(level - levels.max()), midi, instrument)
            )
        pitches = [float(np.median(note.hz)) for note in new]
        for note in new:
            above = [12 * np.log2(np.median(note.hz) / hz) for hz in pitches]
            listed.append(replace(note, octave=any(abs(a - o) < 0.5 for a in above for o in (12, 19))))
        at += lasts + (0.0 if rng.random() < 0.5 else float(rng.uniform(0.05, 0.4)))
        number += 1
    return RealMix(out[: int(length_s * RATE_HZ)], tuple(listed))


def _played(
    rng: np.random.Generator,
    notes: dict[int, Samples],
    tuned: dict[int, float],
    midi: float,
    lasts_s: float,
    *,
    opened: bool,
) -> tuple[Samples, float]:
    """A note read from the nearest source at another speed, and how long it is bowed."""
    near = min(notes, key=lambda m: abs(m - midi) + float(rng.uniform(0, 2.5)))
    source = notes[near]
    ratio = 2.0 ** ((midi + float(rng.normal(0.0, 0.08)) - tuned[near]) / 12.0)
    lasts_s = min(lasts_s, (source.size / RATE_HZ - 0.3) / ratio)
    n = int((lasts_s + 0.6) * RATE_HZ)
    time_s = np.arange(n) / RATE_HZ
    cents = np.zeros(n)
    if not opened and rng.random() < 0.5:
        grown = np.clip((time_s - 0.1) / 0.2, 0.0, 1.0)
        cents += rng.uniform(6.0, 30.0) * grown * np.sin(2 * np.pi * rng.uniform(5, 7) * time_s)
    if not opened and rng.random() < 0.3:
        cents += rng.normal(0.0, 20.0) * np.exp(-time_s / 0.08)
    place = np.cumsum(ratio * 2.0 ** (cents / 1200.0))
    sound = np.interp(place, np.arange(source.size), source, right=0.0)
    level = np.sqrt(np.mean(sound[int(0.15 * RATE_HZ) : int(lasts_s * RATE_HZ)] ** 2) + 1e-12)
    left = np.maximum(time_s - lasts_s, 0.0)
    drop_db, fall = (rng.uniform(8.0, 20.0), rng.uniform(20.0, 80.0)) if rng.random() < 0.7 else (60.0, 200.0)
    gain = 10.0 ** (-(drop_db * np.clip(left / 0.03, 0.0, 1.0) + fall * left) / 20.0)
    gain *= np.clip((time_s[-1] - time_s) / 0.02, 0.0, 1.0)
    return np.asarray(sound * gain * 0.1 / level, dtype=np.float32), lasts_s


def _true(
    sound: Samples, start: int, bowed_s: float, chord: int, delay: float, level: float, midi: float, instrument: str
) -> TrueNote:
    box = int(0.01 * RATE_HZ)
    envelope = np.sqrt(np.convolve(sound.astype(np.float64) ** 2, np.full(box, 1 / box), mode="same"))
    steady = float(np.median(envelope[int(0.1 * RATE_HZ) : max(int(bowed_s * RATE_HZ), int(0.1 * RATE_HZ) + 10)]))
    onset = int(np.argmax(envelope > steady * 10**-0.5))
    # The note by itself, from its onset to the end of its stroke.
    first = onset // HOP
    count = max(int(bowed_s * RATE_HZ) // HOP - first, 4)
    guess = np.full(count, 440.0 * 2 ** ((midi - 69) / 12))
    alone = course_of(sound, first=first, hz=guess, own=tuple(range(1, 7)), instrument=instrument)
    curve_s = (start + first * HOP) / RATE_HZ
    return TrueNote(chord, (start + onset) / RATE_HZ, start / RATE_HZ + bowed_s, delay, level, curve_s, alone.hz)


def with_piano(mix: RealMix, piano: dict[int, Samples], *, below_db: float, seed: int) -> RealMix:
    """The mix over a real piano's chords, so far below it while both sound."""
    length_s = mix.samples.size / RATE_HZ
    struck = real_sound.piano(piano, style="chords", seed=seed, length_s=length_s).samples
    part = np.asarray(soxr.resample(struck, real_sound.RATE, RATE_HZ), dtype=np.float32)[: mix.samples.size]
    part = np.pad(part, (0, mix.samples.size - part.size))
    gain = _level(mix.samples) / _level(part) * 10.0 ** (-below_db / 20.0)
    return replace(mix, samples=mix.samples + part * np.float32(gain))


def _level(samples: Samples) -> float:
    return float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))


def recorded(mix: RealMix, *, band: str, snr_db: float | None, seed: int) -> RealMix:
    """The mix through a recording chain of one band, with surface noise so far below it."""
    rng = np.random.default_rng([11, seed])
    chain = random_chain(rng, band=band)
    heard = through_chain(mix.samples, chain=chain, sample_rate_hz=RATE_HZ, rng=rng)
    if snr_db is not None:
        level = level_through(mix.samples, chain=chain, sample_rate_hz=RATE_HZ)
        noise = surface(heard.size, chain=chain, sample_rate_hz=RATE_HZ, rng=rng)
        heard = heard + noise * np.float32(level * 10.0 ** (-snr_db / 20.0))
    return replace(mix, samples=np.asarray(heard, dtype=np.float32))
