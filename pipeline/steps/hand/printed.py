"""Compares a printed fingering with the hand reconstructed, where the step ``match`` has found its notes."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from pipeline.signal.hand.fingerboard import Fingerboard, position_numbers, stops
from pipeline.signal.hand.passage import PassageHand
from pipeline.steps.hand.taken import TakeNotes

AGREE = 0.6
"""Probability of what is printed from which on the hand agrees (common practice, no source)."""
DIFFER = 0.15
SAME_PITCH_SEMITONES = 0.7

Row = dict[str, Any]


def above_print(fits: Sequence[Row]) -> float:
    """Semitones by which a take lies above the printed pitches, from its row of ``written_fit``; 0 without one."""
    return sum(float(fit["shift_semitones"] or 0) + float(fit["tuning_cents"] or 0.0) / 100.0 for fit in fits[:1])


def match_rows(
    printed: Sequence[Row],
    matched: Sequence[Row],
    *,
    take: TakeNotes,
    hand: PassageHand,
    board: Fingerboard,
    above: float,
    own: Row,
) -> list[Row]:
    """Rows of fingering_match for one edition: of each printed note as often as the take comes by it.

    Parameters
    ----------
    printed : its highest notes, event by event.
    matched : rows of ``written_match`` of the take and edition.
    above : semitones by which the take lies above the print; of a transposed take no position is compared.
    own : columns that all rows carry.
    """
    midi = take.notes["midi"].to_numpy() - above
    ids = take.notes["note_id"].to_list()
    comings = comings_of(matched, {note_id: j for j, note_id in enumerate(ids)})
    rows = []
    shifts = printed_shifts(printed, board)
    for i, note in enumerate(printed):
        after = printed[i + 1] if i + 1 < len(printed) else None
        for time, run in sorted(comings.times.get(note["event"], {}).items()) or [(1, 0)]:
            row = {
                **own,
                "note_number": note["note_number"],
                "time_through": time,
                "printed_midi": note["midi"],
                "printed_string": note["string"],
                "printed_finger": note["finger"],
                "printed_position": note["position"],
                "slide_marked": note["slide_marked"],
                "printed_shift": shifts[i],
            }
            j, leaves = comings.first.get((run, note["event"]), -1), comings.last.get((run, note["event"]), -1)
            if j >= 0 and abs(midi[j] - note["midi"]) > SAME_PITCH_SEMITONES:
                j = -1  # another note of a chord, or an octave's mistake: its finger says nothing of this one
            row |= {"note_id": ids[j], "midi": float(midi[j] + above)} if j >= 0 else {}
            row |= _note(note if abs(above) < 0.5 else note | {"position": None}, j, hand, board)
            arrives = comings.first.get((run, after["event"]), -1) if after is not None else -1
            if 0 <= leaves < arrives:
                row["slide_heard"] = bool(np.any(take.slide[leaves + 1 : arrives + 1] >= 0))
                moved = np.nan_to_num(hand.shifted[leaves + 1 : arrives + 1])
                row["shift_probability"] = float(1.0 - np.prod(1.0 - moved))
            row["shift_verdict"] = _shift_verdict(shifts[i], row.get("shift_probability"))
            rows.append(row)
    return rows


class Comings(NamedTuple):
    """Found notes by run through the part and event: the first and the last; and of each event the run of each time."""

    first: dict[tuple[int, int], int]
    last: dict[tuple[int, int], int]
    times: dict[int, dict[int, int]]


def comings_of(matched: Sequence[Row], place: Mapping[str, int]) -> Comings:
    """Where a take comes by each event, from its rows of ``written_match``; ``place`` gives each found note's index."""
    found = Comings({}, {}, {})
    struck = [(place[row["note_id"]], row) for row in matched if row["run"] is not None]
    for j, row in sorted(struck, key=lambda pair: pair[0]):
        at = (row["run"], row["event"])
        found.first.setdefault(at, j)
        found.last[at] = j
        found.times.setdefault(row["event"], {})[row["time_through"]] = row["run"]
    return found


def _note(note: Row, j: int, hand: PassageHand, board: Fingerboard) -> Row:
    if j < 0:
        return {"verdict": "not_found"}
    likeliest = int(np.argmax(hand.probability[j]))
    string, finger = divmod(likeliest, hand.probability.shape[2])
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
    likely = sum(
        float(hand.probability[j, s, f])
        for s in range(len(board.strings))
        for f in range(hand.probability.shape[2])
        if hand.probability[j, s, f] > 0 and is_printed(note, s, f, int(hand.place[j, s, f]), board)
    )
    sure = float(hand.probability[j, string, finger])
    return row | {"probability": min(likely, 1.0), "verdict": verdict_of(likely, sure)}


def verdict_of(printed: float, likeliest: float) -> str:
    """Whether the hand agrees with the print, by the probability of what is printed and of what is likeliest."""
    if printed >= AGREE:
        return "agree"
    return "differ" if printed <= DIFFER and likeliest >= AGREE else "cannot_tell"


def is_printed(note: Row, string: int, finger: int, place: int, board: Fingerboard) -> bool:
    """Whether a stop is what is printed for a note, as far as anything is printed."""
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
                and is_printed(note, string, stop.finger, stop.place, board)
            ):
                found.add(stop.place)
    return found


def printed_shifts(notes: Sequence[Row], board: Fingerboard) -> list[bool | None]:
    """Whether the print makes the hand move by more than a semitone from each note to the next; None where silent.

    Fingers are printed where the hand changes: a note without any mark is played where the hand is, as long as it can
    be reached there (common practice, no source). Before the first finger nothing is known; the last note has no next.
    """
    held: set[int] = set()
    shifts: list[bool | None] = []
    for note, after in zip(notes, [*notes[1:], None], strict=True):
        held = _places(note, board) or held
        shifts.append(None if after is None or not held else _moves(held, after, board))
        if after is not None and not _is_marked(after):
            held = {place for place in held if _within_reach(after, place, board)}
    return shifts


def _moves(held: set[int], after: Row, board: Fingerboard) -> bool | None:
    if not _is_marked(after):
        return False if any(_within_reach(after, place, board) for place in held) else None
    moves = {abs(a - b) > 1 for a in held for b in _places(after, board)}
    return moves.pop() if len(moves) == 1 else None


def _is_marked(note: Row) -> bool:
    return any(note[name] is not None for name in ("string", "finger", "position"))


def _within_reach(note: Row, place: int, board: Fingerboard) -> bool:
    """Whether a note can be played, on whatever string, without moving the hand by more than a semitone."""
    for string, open_midi in enumerate(board.open_midi):
        sounding = round(note["midi"] - open_midi)
        if sounding == 0 or any(
            stop.finger > 0 and not stop.harmonic and abs(stop.place - place) <= 1
            for stop in stops(board, string=string, sounding=sounding)
        ):
            return True
    return False


def _shift_verdict(printed_shift: bool | None, probability: float | None) -> str:
    if printed_shift is None:
        return "not_printed"
    if probability is None or not np.isfinite(probability):
        return "not_found"
    agrees = probability if printed_shift else 1.0 - probability
    return "agree" if agrees >= AGREE else "differ" if agrees <= 1.0 - AGREE else "cannot_tell"
