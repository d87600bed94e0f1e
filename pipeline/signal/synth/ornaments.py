"""Trills, mordents, grace notes and double stops on a planned note."""

from dataclasses import replace

import numpy as np

from pipeline.instruments import Instrument
from pipeline.signal.synth.fingering import Stop, stops_in_frame
from pipeline.signal.synth.plan import PlannedNote


def ornament(rng: np.random.Generator, note: PlannedNote, *, kind: str, scale: frozenset[int]) -> list[PlannedNote]:
    """The note with a trill, mordent or grace note, as short slurred notes; starts and ends where it did."""
    step = 1 if round(note.midi + 1) % 12 in scale else 2
    upper = note.midi + step
    finger = None if note.finger is None else note.finger + 1
    still = replace(note, vibrato_hz=0.0, vibrato_cents=0.0, ornament=kind)
    if kind == "trill":
        count = 2 * int(rng.integers(2, 5))
        period = min(float(rng.uniform(0.055, 0.085)), (note.end_s - note.start_s) / (count + 1))
        lengths = [period] * count
        pitches = [note.midi if i % 2 == 0 else upper for i in range(count)]
    elif kind == "mordent":
        lengths = [float(rng.uniform(0.05, 0.08)) for _ in range(2)]
        pitches = [note.midi, upper]
    elif kind == "grace_note":
        lengths = [float(rng.uniform(0.04, 0.08))]
        pitches = [upper]
    else:
        raise ValueError(f"ornament {kind!r}: use trill, mordent or grace_note")
    notes: list[PlannedNote] = []
    at = note.start_s
    for length, pitch in zip(lengths, pitches, strict=True):
        first = not notes
        notes.append(
            replace(
                still,
                start_s=at,
                end_s=at + length,
                midi=pitch,
                slurred=note.slurred if first else True,
                finger=finger if pitch == upper else note.finger,
                bow_s=note.bow_s if first else None,
                change_s=note.change_s if first else float(rng.uniform(0.003, 0.012)),
            )
        )
        at += length
    change = float(rng.uniform(0.003, 0.012))
    return [*notes, replace(note, start_s=at, slurred=True, bow_s=None, change_s=change, ornament=kind)]


def with_double_stop(
    rng: np.random.Generator, note: PlannedNote, stop: Stop, *, instrument: Instrument, scale: frozenset[int]
) -> PlannedNote:
    """The note with another one on the next lower string that the hand reaches, or as it is if there is none."""
    options = [
        s
        for s in stops_in_frame(instrument, first=stop.first, strings=(stop.string - 1,))
        if s.midi % 12 in scale and 3 <= stop.midi - s.midi <= 12 and s.finger != stop.finger
    ]
    if not options:
        return note
    other = options[int(rng.integers(len(options)))]
    return replace(note, double_midi=float(other.midi))
