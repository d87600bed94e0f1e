"""Chords on the page of a side: their notes' curves by string, when each string begins, and the ways to stop them."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.pages.note_names import note_name
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.store.corpus import Corpus
from pipeline.units import Floats

BEGINS_LOW_CENTS = 10.0
"""From here on a note is said to begin low or high: curves err by some cents (``tests.benchmarks.chords``)."""
MOST_WAYS = 3
PLACES = {
    1: ("",),
    2: ("lower", "upper"),
    3: ("lowest", "middle", "highest"),
    4: ("lowest", "second", "third", "highest"),
}
BREAKING = {
    "together": "the strings begin together",
    "from_below": "broken from below",
    "from_above": "broken from above",
    "other": "the strings begin one after another",
    "cannot_tell": "whether the strings begin together cannot be told",
}
CAUTIONS = {
    "octave_uncertain": "a note lies an octave or a twelfth above another: it may be missed, or wrong",
    "no_own_partials": "a note has no partial of its own, so when it begins cannot be told",
}


@dataclass(frozen=True)
class ChordCurve:
    """One note of a chord, ready to draw, in corrected time.

    ``string`` of the likeliest way, "" where there is none; ``onset_s`` and its error, against the chord's first; None
    where it cannot be told.
    """

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
                time_s=speed_map.to_true_s(curves[key]["transfer_time_s"].to_numpy()),
                midi=curves[key]["midi"].to_numpy(),
                string=strings.get(key, ""),
                onset_s=note["start_s"],
                error_s=None if error_ms is None else error_ms / 1000.0,
            )
        )
    return made


def _strings(hand: pl.DataFrame | None) -> dict[tuple[str, int], str]:
    if hand is None:
        return {}
    first = hand.filter((pl.col("speed_rank") == 1) & (pl.col("rank") == 1))
    return {(row["chord_id"], row["note_number"]): row["string"] for row in first.to_dicts()}


def chord_table(tables: Mapping[str, pl.DataFrame | None]) -> list[dict[str, Any]]:
    """A line for each chord: when, its notes, what is heard of it, and its ways."""
    chords, notes, hand = (tables[name] for name in ("chord", "chord_note", "chord_hand"))
    if chords is None or notes is None:
        return []
    of_chord = {key[0]: part.sort("note_number").to_dicts() for key, part in _parts(notes).items()}
    ways = {key[0]: part for key, part in _parts(hand).items()}
    return [
        {
            "id": chord["chord_id"],
            "start_s": chord["start_s"],
            "notes": "–".join(note_name(note["midi"]) for note in of_chord[chord["chord_id"]]),
            "heard": heard_words(chord, of_chord[chord["chord_id"]]),
            "ways": ways_words(ways.get(chord["chord_id"])),
        }
        for chord in chords.sort("start_s").to_dicts()
    ]


def _parts(frame: pl.DataFrame | None) -> dict[tuple[Any, ...], pl.DataFrame]:
    return {} if frame is None or frame.is_empty() else frame.partition_by("chord_id", as_dict=True)


def heard_words(chord: Mapping[str, Any], notes: list[dict[str, Any]]) -> str:
    """What is heard of a chord, in a sentence or more."""
    said = [BREAKING[chord["breaking"]]]
    if chord["spread_ms"] is not None and chord["breaking"] in ("from_below", "from_above", "other"):
        said[0] += f", {chord['spread_ms']:.0f} ms from the first to the last (± {chord['spread_error_ms']:.0f})"
    places = PLACES[len(notes)]
    for place, note in zip(places, notes, strict=True):
        named = f"the {place} note ({note_name(note['midi'])})"
        if note["sounds_later"] == "yes" and chord["breaking"] not in ("from_below", "from_above"):
            said.append(f"{named} sounds {note['later_ms']:.0f} ms later (± {note['later_error_ms']:.0f})")
        start = note["start_cents"]
        if start is not None and abs(start) >= BEGINS_LOW_CENTS:
            said.append(f"{named} begins {abs(start):.0f} cents {'low' if start < 0 else 'high'}")
    if chord["bow_rule"] == "broken":
        said.append("no bow leaves out a middle string: a string is out of the order of pitch, or a note is wrong")
    said += [CAUTIONS[flag] for flag in chord["flags"] or ()]
    return "; ".join(said)


def ways_words(hand: pl.DataFrame | None) -> list[str]:
    """The likeliest ways under the speed used, each as strings and fingers with its probability."""
    if hand is None:
        return []
    made = []
    used = hand.filter((pl.col("speed_rank") == 1) & (pl.col("rank") <= MOST_WAYS)).sort("rank", "note_number")
    for way in used.partition_by("rank", maintain_order=True):
        stops = " ".join(f"{row['string']}{row['finger']}" for row in way.to_dicts())
        row = way.row(0, named=True)
        made.append(f"{stops}: {row['probability']:.2f} in the passage, {row['alone_probability']:.2f} alone")
    return made
