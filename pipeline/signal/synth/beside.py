"""What sounds beside a solo other than a piano: other bowed lines, and strings that ring on."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.instruments import INSTRUMENTS
from pipeline.signal.synth.keys import steps_of, tonic_of
from pipeline.signal.synth.piano import Piano
from pipeline.signal.synth.plan import AccompanimentNote, Plan, PlannedNote
from pipeline.signal.synth.voice import Voice, random_voice
from pipeline.units import db_of_power

RINGING = Piano(inharmonicity=1e-5, decay_s=0.5, tilt=1.2, detune_cents=1.0)
"""A string left to itself: hardly stiff, and heard for about a second."""
# Instruments and the MIDI number about which they play (common practice, no source).
_SECTIONS = (("cello", 43), ("viola", 55), ("violin", 64))
_PLAYERS = 3  # common practice, no source


@dataclass(frozen=True)
class BowedPart:
    """One line beside the solo, and how far it lies below it while it sounds (dB)."""

    plan: Plan
    voice: Voice
    below_db: float


@dataclass(frozen=True)
class Beside:
    """Bowed lines, and notes that ring on, the loudest of them ``ringing_below_db`` below the solo."""

    bowed: tuple[BowedPart, ...] = ()
    ringing: tuple[AccompanimentNote, ...] = ()
    ringing_below_db: float = 12.0


def strings(rng: np.random.Generator, plan: Plan, *, below_db: float) -> tuple[BowedPart, ...]:
    """The strings of an orchestra holding chords of the plan's key under it, ``below_db`` below it all together.

    Each of three voices has three players, who differ in pitch, time and vibrato.
    """
    tonic, steps = tonic_of(plan.key), steps_of(plan.key)
    starts = [0.2]
    while starts[-1] < plan.length_s - 3.0:
        starts.append(starts[-1] + float(rng.uniform(0.6, 2.5)))
    degrees = rng.choice((0, 3, 4, 5, 1), p=(0.35, 0.2, 0.25, 0.1, 0.1), size=len(starts))
    ends = [*starts[1:], plan.length_s - 0.3]
    parts = []
    for i, (instrument, lowest) in enumerate(_SECTIONS):
        tune = [lowest + (tonic + steps[(int(d) + 2 * i) % 7] - lowest) % 12 for d in degrees]
        for _ in range(_PLAYERS):
            off, late = float(rng.normal(0.0, 0.1)), float(rng.normal(0.0, 0.02))
            notes = tuple(
                PlannedNote(
                    start_s=start + late,
                    end_s=end + late,
                    midi=midi + off,
                    vibrato_hz=float(rng.uniform(5.0, 7.0)),
                    vibrato_cents=float(rng.uniform(5.0, 25.0)),
                    slurred=bool(rng.random() < 0.5),
                )
                for start, end, midi in zip(starts, ends, tune, strict=True)
            )
            part = replace(plan, instrument=instrument, notes=notes, slides=(), accompaniment=(), negatives=())
            parts.append(BowedPart(part, random_voice(rng, instrument=instrument), below_db))
    apart_db = float(db_of_power(len(parts)))
    return tuple(replace(part, below_db=part.below_db + apart_db) for part in parts)


def open_strings_ringing(rng: np.random.Generator, plan: Plan) -> tuple[AccompanimentNote, ...]:
    """Open strings that the player has left, and some that sound along, each until its string is wanted again."""
    kind = INSTRUMENTS[plan.instrument]
    found = []
    for note, after in zip(plan.notes, plan.notes[1:], strict=False):
        left = note.finger == 0 and after.string != note.string
        if left or rng.random() < 0.1:
            midi = note.midi if left else float(rng.choice(kind.open_midi))
            wanted = [other.start_s for other in plan.notes if other.start_s > note.end_s and other.midi == midi]
            found.append(AccompanimentNote(note.end_s, wanted[0] if wanted else plan.length_s, midi, 0.0))
    return tuple(found)
