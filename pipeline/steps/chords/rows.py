"""Rows of the tables of chords."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.signal.chords.find import Chord, ChordNote
from pipeline.signal.chords.octaves import POSSIBLE
from pipeline.signal.hand.fingerboard import Fingerboard, chord_ways
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.store import schema
from pipeline.units import ms_of_s

SAME_SEMITONES = 0.5
"""How far a chord's note may be off the followed line's to be that note."""
SAME_SHARE = 0.5
"""Share of the shorter of both that they must sound together."""
EVERY = 2
"""Of the values of a curve, every 5.8 ms, so many make a row."""

Row = dict[str, Any]


@dataclass(frozen=True)
class Taken:
    """A chord, the take that it stands in, the instrument, and whether nobody is known to play beside."""

    chord: Chord
    take_id: str | None
    board: Fingerboard
    alone: bool


def rows_of(
    chords: Sequence[Taken], *, transfer_id: str, notes: pl.DataFrame, speed_map: SpeedMap
) -> dict[str, pl.DataFrame]:
    """Tables chord, chord_note and chord_frame of one transfer; ``notes`` are those of its followed line."""
    rows: dict[str, list[Row]] = {"chord": [], "chord_note": []}
    curves: list[tuple[str, int, ChordNote]] = []
    line = _Line(notes)
    used: set[str] = set()
    for one in chords:
        chord, pace = one.chord, float(speed_map.ratio_at(one.chord.start_s))
        chord_id = f"{transfer_id}-c{max(round(ms_of_s(chord.start_s)), 0)}"
        if chord_id in used:
            continue
        used.add(chord_id)
        own = {"chord_id": chord_id, "transfer_id": transfer_id, "take_id": one.take_id}
        rows["chord"].append({**own, **_chord(one, speed_map, pace)})
        for number, note in enumerate(chord.notes, start=1):
            rows["chord_note"].append({**own, "note_number": number, **_note(one, number - 1, line, speed_map, pace)})
            curves.append((chord_id, number, note))
    frames = {
        name: pl.DataFrame(made, schema=schema.load(name).polars_schema(), orient="row") for name, made in rows.items()
    }
    return frames | {"chord_frame": _frames(curves, transfer_id)}


class _Line:
    """Notes of the followed line, to be looked up by time and pitch."""

    def __init__(self, notes: pl.DataFrame) -> None:
        self.ids = notes["note_id"].to_list()
        columns = ("transfer_start_s", "transfer_end_s", "midi")
        self.start_s, self.end_s, self.midi = (notes[c].cast(pl.Float64).to_numpy() for c in columns)

    def note_id(self, start_s: float, end_s: float, midi: float) -> str | None:
        """The note that sounds at this pitch for half of the shorter of both."""
        shared = np.minimum(self.end_s, end_s) - np.maximum(self.start_s, start_s)
        shorter = np.minimum(self.end_s - self.start_s, end_s - start_s)
        worth = np.where(np.abs(self.midi - midi) < SAME_SEMITONES, shared / np.maximum(shorter, 1e-6), 0.0)
        best = int(np.argmax(worth)) if worth.size else 0
        return self.ids[best] if worth.size and worth[best] > SAME_SHARE else None


def _chord(one: Taken, speed_map: SpeedMap, pace: float) -> Row:
    chord, order = one.chord, one.chord.order
    sounding = tuple(sorted(round(note.measures.midi) for note in chord.notes))
    flags = (
        ("octave_uncertain", any(note.octave for note in chord.notes)),
        ("octave_possible", any(note.octave_probability >= POSSIBLE for note in chord.notes)),
        ("no_own_partials", any(not note.own for note in chord.notes)),
        ("piano_near", not one.alone),
    )
    return {
        "transfer_start_s": chord.start_s,
        "transfer_end_s": chord.end_s,
        "start_s": float(speed_map.to_true_s(chord.start_s)),
        "end_s": float(speed_map.to_true_s(chord.end_s)),
        "notes": len(chord.notes),
        "probability": chord.probability,
        "whole_probability": chord.whole,
        "breaking": order.breaking,
        "spread_ms": _known(ms_of_s(order.spread_s) / pace),
        "spread_error_ms": _known(ms_of_s(order.spread_error_s) / pace),
        "first_left": order.first_left,
        "bow_rule": order.bow_rule,
        "playable_ways": len(chord_ways(one.board, sounding)),
        "flags": [name for name, true in flags if true],
    }


def _note(one: Taken, i: int, line: _Line, speed_map: SpeedMap, pace: float) -> Row:
    note, order = one.chord.notes[i], one.chord.order
    start_s, end_s = note.start.time_s, max(note.end.time_s, note.start.time_s)
    measures = note.measures
    start_s, end_s = min(start_s, one.chord.end_s), max(end_s, one.chord.start_s)
    return {
        "note_id": line.note_id(start_s, end_s, measures.midi),
        "midi": measures.midi,
        "midi_error_cents": _known(measures.error_cents),
        "probability": note.bowed,
        "octave_probability": note.octave_probability,
        "begins": "with_chord" if note.fresh else "before",
        "transfer_start_s": start_s,
        "transfer_end_s": end_s,
        "start_s": float(speed_map.to_true_s(start_s)),
        "end_s": float(speed_map.to_true_s(end_s)),
        "later_ms": _known(ms_of_s(order.later_s[i]) / pace),
        "later_error_ms": _known(ms_of_s(order.later_error_s[i]) / pace),
        "sounds_later": order.sounds_later[i],
        "stops_early": order.stops_early[i],
        "own_partials": len(note.own),
        "level_db": _known(note.level_db),
        "vibrato_cents": _known(measures.vibrato_cents),
        "vibrato_hz": _known(measures.vibrato_hz * pace),
        "start_cents": _known(measures.start_cents),
        "settled_ms": _known(ms_of_s(measures.settled_s) / pace),
        "mean_cents": 100.0 * (measures.midi - round(measures.midi)),
    }


def _frames(curves: Sequence[tuple[str, int, ChordNote]], transfer_id: str) -> pl.DataFrame:
    """The table of curves, column by column: it has a hundred rows a note."""
    kept = [np.flatnonzero(np.isfinite(note.error_cents))[::EVERY] for _, _, note in curves]
    made: dict[str, Any] = {
        "chord_id": [chord_id for (chord_id, _, _), known in zip(curves, kept, strict=True) for _ in known],
        "note_number": np.repeat([number for _, number, _ in curves], [known.size for known in kept]),
    }
    for name, of_note in (("transfer_time_s", "time_s"), ("midi", "midi"), ("error_cents", "error_cents")):
        parts = [getattr(note, of_note)[known] for (_, _, note), known in zip(curves, kept, strict=True)]
        made[name] = np.concatenate(parts) if parts else []
    columns = schema.load("chord_frame").polars_schema()
    made["transfer_id"] = [transfer_id] * len(made["chord_id"])
    return pl.DataFrame({name: made[name] for name in columns}, schema=columns)


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
