"""Chords in words: what is heard of each, and the ways to stop it."""

import math
from collections.abc import Callable, Iterable, Mapping
from itertools import groupby
from types import MappingProxyType
from typing import Any

import polars as pl

from pipeline.answers.number_words import probability_words, ratio_words
from pipeline.answers.stop_words import stop_words

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
# What speaks for a way, by its column of chord_hand, in the words of a player.
SPEAKS = {
    "by_passage": "the notes before and after",
    "by_order": "the order in which the strings sound",
    "by_pitch": "how the notes are tuned",
    "by_vibrato": "the vibrato",
    "by_shape": "how the hand lies",
}
LEAST_ODDS = 1.5  # what speaks less than so loudly is left out
CAUTIONS = {
    "octave_uncertain": "a note lies an octave or a twelfth above another: it may be wrong",
    "no_own_partials": "a note has no partial of its own, so when it begins cannot be told",
    "piano_near": "a note may be the accompaniment's",
}


def chord_lines(
    tables: Mapping[str, pl.DataFrame | None],
    *,
    name: Callable[[float], str],
    speed_rank: int = 1,
    printed: Mapping[str, str] = MappingProxyType({}),
) -> list[dict[str, Any]]:
    """A line for each chord: when, its notes, what is heard of it, its ways and why, and what is ``printed``.

    ``tables`` holds chord, chord_note and chord_hand; ``name`` names a pitch; the ways are those under a reading of the
    speed.
    """
    chords, notes, hand = (tables[name] for name in ("chord", "chord_note", "chord_hand"))
    if chords is None or notes is None:
        return []
    of_chord = {key[0]: part.sort("note_number").to_dicts() for key, part in _parts(notes).items()}
    ways = {key[0]: part for key, part in _parts(hand).items()}
    names = {chord_id: [name(note["midi"]) for note in sounding] for chord_id, sounding in of_chord.items()}
    return [
        {
            "id": chord["chord_id"],
            "start_s": chord["start_s"],
            "names": names[chord["chord_id"]],
            "notes": "–".join(names[chord["chord_id"]]),
            "heard": heard_words(chord, of_chord[chord["chord_id"]], name=name),
            "ways": ways_words(ways.get(chord["chord_id"]), speed_rank=speed_rank),
            "why": why_words(ways.get(chord["chord_id"]), speed_rank=speed_rank),
            "printed": printed.get(chord["chord_id"], ""),
        }
        for chord in chords.sort("start_s").to_dicts()
    ]


def _parts(frame: pl.DataFrame | None) -> dict[tuple[Any, ...], pl.DataFrame]:
    return {} if frame is None or frame.is_empty() else frame.partition_by("chord_id", as_dict=True)


def heard_words(chord: Mapping[str, Any], notes: list[dict[str, Any]], *, name: Callable[[float], str]) -> str:
    """What is heard of a chord, in a sentence or more."""
    said = [BREAKING[chord["breaking"]]]
    if chord["spread_ms"] is not None and chord["breaking"] in ("from_below", "from_above", "other"):
        said[0] += f", {chord['spread_ms']:.0f} ms from the first to the last (± {chord['spread_error_ms']:.0f})"
    places = PLACES[len(notes)]
    for place, note in zip(places, notes, strict=True):
        named = f"the {place} note ({name(note['midi'])})"
        if note["sounds_later"] == "yes" and chord["breaking"] not in ("from_below", "from_above"):
            said.append(f"{named} sounds {note['later_ms']:.0f} ms later (± {note['later_error_ms']:.0f})")
        start = note["start_cents"]
        if start is not None and abs(start) >= BEGINS_LOW_CENTS:
            said.append(f"{named} begins {abs(start):.0f} cents {'low' if start < 0 else 'high'}")
    if chord["bow_rule"] == "broken":
        said.append("no bow leaves out a middle string: a string is out of the order of pitch, or a note is wrong")
    flags = chord["flags"] or ()
    if "octave_possible" in flags:
        place, note = max(zip(places, notes, strict=True), key=lambda one: one[1]["octave_probability"] or 0.0)
        chance = probability_words(note["octave_probability"])
        said.append(
            f"an octave or a twelfth above the {place} note ({name(note['midi'])}) may sound as well ({chance})"
        )
    said += [CAUTIONS[flag] for flag in flags if flag in CAUTIONS]
    return "; ".join(said)


def ways_words(hand: pl.DataFrame | None, *, speed_rank: int) -> list[str]:
    """The likeliest ways under a reading of the speed, with their probability in the passage and by the chord alone."""
    if hand is None:
        return []
    made = []
    used = hand.filter((pl.col("speed_rank") == speed_rank) & (pl.col("rank") <= MOST_WAYS)).sort("rank", "note_number")
    for way in used.partition_by("rank", maintain_order=True):
        stops, row = _stops(way), way.row(0, named=True)
        if row["position"] is not None:
            stops += f" pos. {row['position']}"
        there, alone = (probability_words(row[name]) for name in ("probability", "alone_probability"))
        made.append(f"{stops}: {there} ({alone} alone)")
    return made


def why_words(hand: pl.DataFrame | None, *, speed_rank: int) -> str:
    """What speaks for the likeliest way and against it, beside the likeliest on other strings or with other fingers."""
    if hand is None:
        return ""
    used = hand.filter(pl.col("speed_rank") == speed_rank).sort("rank", "note_number")
    ways = [(_stops(way), way.row(0, named=True)) for way in used.partition_by("rank", maintain_order=True)]
    if not (others := [way for way in ways if way[0] != ways[0][0]]):
        return ""
    rival, row = others[0]
    said = speaks_words({column: -row[column] for column in SPEAKS if row[column] is not None})
    return f"{ways[0][0]} rather than {rival}; {said}" if said else ""


def speaks_words(log_odds: Mapping[str, float]) -> str:
    """What speaks for a way and what against it, strongest first, from log odds by the columns of ``SPEAKS``."""
    parts = []
    for head, way in (("for it", 1.0), ("against it", -1.0)):
        factors = sorted(((math.exp(way * log), SPEAKS[column]) for column, log in log_odds.items()), reverse=True)
        told = [f"{words} ({ratio_words(factor)} times)" for factor, words in factors if factor >= LEAST_ODDS]
        if told:
            parts.append(f"{head}: {', '.join(told)}")
    return "; ".join(parts)


def _stops(way: pl.DataFrame) -> str:
    return " ".join(stop_words(row["string"], row["finger"]) for row in way.to_dicts())


def printed_words(rows: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """What an edition prints for chords found, whether the hand agrees, and what speaks against it, by chord.

    ``rows`` are those of chord_fingering_match of one edition; of a chord for which nothing is printed nothing is said.
    """
    told = [row for row in rows if row.get("chord_id") and row["verdict"] != "not_printed"]
    made = {}
    for chord_id, group in groupby(told, key=lambda row: row["chord_id"]):
        notes = list(group)
        stops = " ".join(printed_stop(row) or "–" for row in notes)
        verdict = notes[0]["verdict"].replace("_", " ")
        against = speaks_words({name: notes[0][name] for name in SPEAKS if notes[0].get(name) is not None})
        said = f"{stops}: {verdict}, {probability_words(notes[0]['probability'])}"
        made[str(chord_id)] = f"{said}; {against}" if against else said
    return made


def printed_stop(row: Mapping[str, Any]) -> str:
    """Finger and string printed for a note; "" for none."""
    return stop_words(row["printed_string"], row["printed_finger"])
