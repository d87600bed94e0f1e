"""Compares the chords of a printed fingering with the ways in which the hand may have stopped them."""

from collections.abc import Sequence
from itertools import groupby
from typing import Any, NamedTuple

from pipeline.signal.hand.fingerboard import Fingerboard
from pipeline.signal.hand.passage import PassageHand
from pipeline.steps.hand.chords import TakeChord, Way, against, named_ways
from pipeline.steps.hand.printed import (
    SAME_PITCH_SEMITONES,
    Comings,
    comings_of,
    is_printed,
    match_rows,
    verdict_of,
)
from pipeline.steps.hand.taken import TakeNotes
from pipeline.store.catalogue.written import highest

LEAST_HEARD = 2
"""Notes of a printed chord that a chord found must hold to be that chord."""

Row = dict[str, Any]


def compared(
    printed: Sequence[Row],
    matched: Sequence[Row],
    *,
    take: TakeNotes,
    hand: PassageHand,
    chords: Sequence[TakeChord],
    board: Fingerboard,
    above: float,
    own: Row,
) -> dict[str, list[Row]]:
    """Rows of fingering_match and chord_fingering_match for one edition.

    What a chord says stands for its highest note too: the ways of a chord know more than the followed line.

    Parameters
    ----------
    printed : its notes.
    matched : rows of ``written_match`` of the take and edition.
    above : semitones by which the take lies above the print; of a transposed take no position is compared.
    own : columns that all rows carry.
    """
    notes = match_rows(highest(printed), matched, take=take, hand=hand, board=board, above=above, own=own)
    of_chords = chord_match_rows(printed, matched, take=take, chords=chords, board=board, above=above, own=own)
    told = {_key(row): row for row in of_chords if row["verdict"] != "not_found"}
    names = ("string", "finger", "position", "probability", "verdict")
    notes = [row | {name: told[_key(row)][name] for name in names} if _key(row) in told else row for row in notes]
    return {"fingering_match": notes, "chord_fingering_match": of_chords}


def _key(row: Row) -> tuple[int, int]:
    return row["note_number"], row["time_through"]


def chord_match_rows(
    printed: Sequence[Row],
    matched: Sequence[Row],
    *,
    take: TakeNotes,
    chords: Sequence[TakeChord],
    board: Fingerboard,
    above: float,
    own: Row,
) -> list[Row]:
    """Rows of chord_fingering_match: of each printed chord as often as the take comes by it; arguments as above."""
    comings = comings_of(matched, {note_id: j for j, note_id in enumerate(take.notes["note_id"])})
    rows = []
    for event, group in groupby(sorted(printed, key=lambda row: row["note_number"]), key=lambda row: row["event"]):
        marks = [row if abs(above) < 0.5 else row | {"position": None} for row in group]
        if len(marks) < LEAST_HEARD:
            continue
        for time, run in sorted(comings.times.get(event, {}).items()) or [(1, 0)]:
            found = _found(marks, chords, _line_notes(comings, run, event), above)
            told = _told(marks, found, board)
            for mark in marks:
                note = {f"printed_{name}": mark[name] for name in ("midi", "string", "finger", "position")}
                place = {"event": event, "note_number": mark["note_number"], "time_through": time}
                rows.append({**own, **place, **note, **told.get(mark["note_number"], told[None])})
    return rows


def _line_notes(comings: Comings, run: int, event: int) -> range:
    """The notes of the followed line that are an event, where the take comes by it in a run."""
    if (run, event) not in comings.first:
        return range(0)
    return range(comings.first[run, event], comings.last[run, event] + 1)


class _Found(NamedTuple):
    """A chord found for a printed one, and which of its notes each printed note is, by its number."""

    chord: TakeChord
    heard: dict[int, int]


def _found(marks: Sequence[Row], chords: Sequence[TakeChord], line: range, above: float) -> _Found | None:
    """Of the chords that hold one of the line's notes that with most of the printed ones; of several the longest."""
    held = [_Found(chord, _heard(marks, chord, above)) for chord in chords if set(line) & set(chord.played.line)]
    held = [each for each in held if len(each.heard) >= LEAST_HEARD]
    return max(held, key=lambda each: (len(each.heard), _length_s(each.chord)), default=None)


def _length_s(chord: TakeChord) -> float:
    return float(chord.played.end_s.max() - chord.played.start_s.min())


def _heard(marks: Sequence[Row], chord: TakeChord, above: float) -> dict[int, int]:
    found = {}
    for mark in marks:
        off = [abs(float(midi) - above - mark["midi"]) for midi in chord.played.midi]
        if min(off) <= SAME_PITCH_SEMITONES:
            found[mark["note_number"]] = off.index(min(off))
    return found


def _told(marks: Sequence[Row], found: _Found | None, board: Fingerboard) -> dict[int | None, Row]:
    """What is said of the printed notes by their numbers; under None, of those that were not heard."""
    if found is None or not (ways := named_ways(found.chord.hand)):
        return {None: {"verdict": "not_found"}}
    said: Row = {"chord_id": found.chord.chord_id, "verdict": "not_printed"}
    heard = [mark for mark in marks if mark["note_number"] in found.heard]
    if any(mark[name] is not None for mark in heard for name in ("string", "finger", "position")):
        said |= _verdict(heard, found.heard, ways, board)
    told: dict[int | None, Row] = {None: said}
    for number, i in found.heard.items():
        stop = ways[0].stops[i]
        names = {"string": board.strings[stop.string], "finger": stop.finger, "position": ways[0].position}
        told[number] = said | {"chord_note_number": i + 1} | names
    return told


def _verdict(heard: Sequence[Row], at: dict[int, int], ways: Sequence[Way], board: Fingerboard) -> Row:
    """By whole ways; and by strings alone, which may be clear where the fingers are not."""
    printed = [way for way in ways if _as_printed(heard, at, way, board)]
    whole = sum(way.probability for way in printed)
    verdict = verdict_of(whole, ways[0].probability)
    by_strings: dict[tuple[int, ...], float] = {}
    for way in ways:
        strings = tuple(stop.string for stop in way.stops)
        by_strings[strings] = by_strings.get(strings, 0.0) + way.probability
    only = [mark | {"finger": None, "position": None} for mark in heard]
    strung = sum(way.probability for way in ways if _as_printed(only, at, way, board))
    if verdict_of(strung, max(by_strings.values())) == "differ":
        verdict = "differ"
    # Named ways come likeliest first.
    odds = against(printed[0], ways[0]) if printed else {}
    return {"probability": min(whole, 1.0), "verdict": verdict, **odds}


def _as_printed(heard: Sequence[Row], at: dict[int, int], way: Way, board: Fingerboard) -> bool:
    stops = [(mark, way.stops[at[mark["note_number"]]]) for mark in heard]
    return all(is_printed(mark, stop.string, stop.finger, stop.place, board) for mark, stop in stops)
