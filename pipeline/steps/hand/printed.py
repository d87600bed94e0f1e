"""Compares a printed fingering with the hand reconstructed: note by note and shift by shift."""

from typing import Any

import numpy as np

from pipeline.signal.hand.fingerboard import Fingerboard, position_numbers, stops
from pipeline.signal.hand.passage import PassageHand
from pipeline.signal.hand.printed_part import SAME_PITCH_SEMITONES, Alignment, align
from pipeline.steps.hand.rows import TakeNotes
from pipeline.units import Floats

AGREE = 0.6
"""Probability of what is printed from which on the hand agrees (common practice, no source)."""
DIFFER = 0.15

Row = dict[str, Any]


def match_rows(printed: list[Row], *, take: TakeNotes, hand: PassageHand, board: Fingerboard, own: Row) -> list[Row]:
    """Rows of fingering_match for one edition; ``printed`` holds its rows of printed_fingering, in order."""
    found_midi = take.notes["midi"].to_numpy()
    match = _match(printed, take=take, take_id=own["take_id"])
    ids = take.notes["note_id"].to_list()
    rows = []
    for i, note in enumerate(printed):
        j = int(match[i])
        after = int(match[i + 1]) if i + 1 < len(printed) else -1
        row = {
            **own,
            "edition": note["edition"],
            "note_number": note["note_number"],
            "printed_midi": note["midi"],
            "printed_string": note["string"],
            "printed_finger": note["finger"],
            "printed_position": note["position"],
            "slide_marked": note["slide_marked"],
        }
        row |= _note(note, j, hand, board)
        row |= {"note_id": ids[j], "midi": float(found_midi[j])} if j >= 0 else {}
        neighbours = 0 <= j < after
        if neighbours:
            row["slide_heard"] = bool(np.any(take.slide[j + 1 : after + 1] >= 0))
        printed_shift = printed_shift_of(note, printed[i + 1], board) if i + 1 < len(printed) else None
        row["printed_shift"] = printed_shift
        if neighbours:
            moved = hand.shifted[j + 1 : after + 1]
            row["shift_probability"] = float(1.0 - np.prod(1.0 - np.nan_to_num(moved)))
        row["shift_verdict"] = _shift_verdict(printed_shift, row.get("shift_probability"))
        rows.append(row)
    return rows


def _match(printed: list[Row], *, take: TakeNotes, take_id: str | None) -> np.ndarray:
    """The found note of each printed one, or -1: by its time where it has one in this take, else by pitch and order."""
    midi, start_s = (take.notes[name].to_numpy().astype(np.float64) for name in ("midi", "start_s"))
    match = np.full(len(printed), -1, dtype=np.int64)
    timed = np.array([p["time_s"] is not None and p["take_id"] == take_id for p in printed], dtype=np.bool_)
    for i in np.flatnonzero(timed):
        j = take.at(printed[i]["time_s"])
        if j >= 0 and abs(midi[j] - printed[i]["midi"]) <= SAME_PITCH_SEMITONES and j not in match:
            match[i] = j
    others = np.flatnonzero(~timed)
    free = np.setdiff1d(np.arange(midi.size), match)
    if others.size and free.size:
        part = [printed[i] for i in others]
        kept = np.arange(len(part))
        at, cost = _laid(part, kept, midi[free], start_s[free])
        for repeat in _first_times(part):
            # A player may leave a repeat out: the first time is gone, with its ending.
            fewer = np.setdiff1d(kept, repeat)
            without, less = _laid(part, fewer, midi[free], start_s[free])
            if less < cost:
                kept, at, cost = fewer, without, less
        match[others[kept]] = np.where(at >= 0, free[at], -1)
    return match


def _laid(part: list[Row], kept: np.ndarray, midi: Floats, start_s: Floats) -> Alignment:
    notes = [part[i] for i in kept]
    beats = _beats(notes)
    return align(
        written_midi=np.array([p["midi"] for p in notes], dtype=np.float64),
        found_midi=midi,
        written_beats=beats,
        found_s=start_s if beats is not None else None,
    )


def _first_times(part: list[Row]) -> list[np.ndarray]:
    """The notes played before each going back to an earlier bar, from that bar on."""
    bars = np.array([np.nan if p["bar"] is None else p["bar"] for p in part], dtype=np.float64)
    found = []
    for back in np.flatnonzero(np.diff(bars) < 0) + 1:
        first = back
        while first > 0 and bars[first - 1] >= bars[back]:
            first -= 1
        found.append(np.arange(first, back))
    return found


def _beats(printed: list[Row]) -> Any:
    """Running place in the part, if bars are given throughout; going back for a repeat counts as going on."""
    if any(p["bar"] is None for p in printed):
        return None
    written = np.array([p["bar"] + ((p["beat"] or 1.0) - 1.0) / 8.0 for p in printed], dtype=np.float64)
    steps = np.diff(written, prepend=written[:1])
    return np.cumsum(np.where(steps < 0.0, 1.0 / 8.0, steps))


def _note(note: Row, j: int, hand: PassageHand, board: Fingerboard) -> Row:
    if j < 0:
        return {"verdict": "not_found"}
    likeliest = int(np.argmax(hand.probability[j]))
    string, finger = divmod(likeliest, 5)
    row: Row = {"verdict": "not_printed"}
    if hand.probability[j, string, finger] > 0:
        place = int(hand.place[j, string, finger])
        row |= {
            "string": board.strings[string],
            "finger": finger,
            "position": position_numbers(place)[0] if finger else None,
        }
    if note["string"] is None and note["finger"] is None and note["position"] is None:
        return row
    fits = sum(
        float(hand.probability[j, s, f])
        for s in range(len(board.strings))
        for f in range(5)
        if hand.probability[j, s, f] > 0 and _fits(note, s, f, int(hand.place[j, s, f]), board)
    )
    sure = float(hand.probability[j, string, finger])
    verdict = "cannot_tell"
    if fits >= AGREE:
        verdict = "agree"
    elif fits <= DIFFER and sure >= AGREE:
        verdict = "differ"
    return row | {"probability": min(fits, 1.0), "verdict": verdict}


def _fits(note: Row, string: int, finger: int, place: int, board: Fingerboard) -> bool:
    if note["string"] is not None and board.strings[string] != note["string"]:
        return False
    if note["finger"] is not None and finger != note["finger"]:
        return False
    return note["position"] is None or finger == 0 or note["position"] in position_numbers(place)


def _places(note: Row, board: Fingerboard) -> set[int]:
    """Hand places in which the printed note can be stopped as printed."""
    if note["finger"] in (None, 0):
        return set()
    found = set()
    for string, open_midi in enumerate(board.open_midi):
        for stop in stops(board, string=string, sounding=round(note["midi"] - open_midi)):
            if (
                stop.finger > 0
                and stop.strained == 0
                and not stop.harmonic
                and _fits(note, string, stop.finger, stop.place, board)
            ):
                found.add(stop.place)
    return found


def printed_shift_of(note: Row, after: Row, board: Fingerboard) -> bool | None:
    """Whether the print makes the hand move by more than a semitone; None where it does not say."""
    one, other = _places(note, board), _places(after, board)
    if not one or not other:
        return None
    moves = {abs(a - b) > 1 for a in one for b in other}
    return moves.pop() if len(moves) == 1 else None


def _shift_verdict(printed_shift: bool | None, probability: float | None) -> str:
    if printed_shift is None:
        return "not_printed"
    if probability is None or not np.isfinite(probability):
        return "not_found"
    agrees = probability if printed_shift else 1.0 - probability
    return "agree" if agrees >= AGREE else "differ" if agrees <= 1.0 - AGREE else "cannot_tell"
