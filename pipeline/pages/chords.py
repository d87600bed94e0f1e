"""Chords on the page of a side: the curves of their notes by string, and when each string begins."""

from dataclasses import dataclass

import polars as pl

from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.store.corpus import Corpus
from pipeline.units import Floats, s_of_ms


@dataclass(frozen=True)
class ChordCurve:
    """One note of a chord, ready to draw, in corrected time; ``number`` counts from the lowest, 1.

    ``string`` of the likeliest way, "" where there is none; ``onset_s`` and its error, against the chord's first; None
    where it cannot be told.
    """

    chord_id: str
    number: int
    time_s: Floats
    midi: Floats
    string: str
    onset_s: float
    error_s: float | None


def chord_curves(corpus: Corpus, transfer_id: str, *, speed_map: SpeedMap) -> list[ChordCurve]:
    """All notes of all chords of a transfer."""
    notes, frames = (corpus.read(name, transfer_id) for name in ("chord_note", "chord_frame"))
    if notes is None or frames is None or frames.is_empty():
        return []
    strings = _strings(corpus.read("chord_hand", transfer_id))
    curves = frames.sort("transfer_time_s").partition_by("chord_id", "note_number", as_dict=True)
    made = []
    for note in notes.sort("start_s", "note_number").to_dicts():
        key = (note["chord_id"], note["note_number"])
        if key not in curves:
            continue
        error_ms = note["later_error_ms"]
        made.append(
            ChordCurve(
                chord_id=note["chord_id"],
                number=note["note_number"],
                time_s=speed_map.to_true_s(curves[key]["transfer_time_s"].to_numpy()),
                midi=curves[key]["midi"].to_numpy(),
                string=strings.get(key, ""),
                onset_s=note["start_s"],
                error_s=None if error_ms is None else s_of_ms(error_ms),
            )
        )
    return made


def _strings(hand: pl.DataFrame | None) -> dict[tuple[str, int], str]:
    if hand is None:
        return {}
    first = hand.filter((pl.col("speed_rank") == 1) & (pl.col("rank") == 1))
    return {(row["chord_id"], row["note_number"]): row["string"] for row in first.to_dicts()}
