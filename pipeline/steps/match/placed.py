"""The notes of one take laid on one edition, as rows: each note's place, by estimate or by a person's word."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from pipeline.signal.passages.lay import EXTRA, OUTSIDE, ROLES, STRUCK, Fit, lay, rounds, times_through
from pipeline.signal.passages.line import Notes, heard_in_line
from pipeline.signal.passages.part import Ints, Part
from pipeline.steps.match.written import part_of
from pipeline.units import Floats

NEAR_S = 0.15
"""How far a time given by a person may lie off the note that it means (common practice, no source)."""

Row = dict[str, Any]
Line = tuple[Floats, Floats]
"""Times (s) and pitches (MIDI) of the take's line, both corrected; NaN where there is none."""
NO_LINE: Line = (np.empty(0), np.empty(0))


class Placed(NamedTuple):
    """How the take fits, the catalogue's number of each event, and rows of the step's tables.

    ``rows`` of ``written_match``, one for each found note; ``heard`` of ``written_heard``, one for each event without.
    """

    fit: Fit
    numbers: list[int]
    rows: list[Row]
    heard: list[Row]


def placed(
    written: Sequence[Mapping[str, Any]],
    ways: Sequence[Mapping[str, Any]],
    notes: pl.DataFrame,
    decisions: Sequence[Mapping[str, Any]] = (),
    line: Line = NO_LINE,
) -> Placed:
    """Lay found notes on an edition.

    Parameters
    ----------
    written, ways : rows of ``written_note`` (at least one, in order) and ``written_way`` of the edition.
    notes : rows of ``note`` of the take, in order of time.
    decisions : ``time_s`` and ``event`` (None for none of the part) as a person says.
    line : the take's pitch line, in which events without a note are looked for.
    """
    part, numbers = part_of(written, ways)
    midi, start_s = (notes[name].to_numpy().astype(np.float64) for name in ("midi", "start_s"))
    fit = lay(part, midi=midi, start_s=start_s)
    decided = _decided(decisions, notes, numbers)
    event, role = fit.event.copy(), fit.role.copy()
    for j, at in decided.items():
        event[j], role[j] = at, OUTSIDE if at < 0 else STRUCK
    struck = np.where(role < EXTRA, event, -1)
    run, heard = _runs(part, fit, struck, notes, line)
    times = times_through(struck, run, [(row["run"], row["event"]) for row in heard])
    rows = [
        {
            "note_id": note_id,
            "event": None if event[j] < 0 else numbers[event[j]],
            "state": ROLES[role[j]],
            "run": int(run[j]) or None,
            "time_through": int(times[j]) or None,
            "probability": 1.0 if j in decided else _known(fit.probability[j]),
            "decided": j in decided,
            **_estimated(fit, j, numbers),
        }
        for j, note_id in enumerate(notes["note_id"].to_list())
    ]
    return Placed(fit, numbers, rows, [row | {"event": numbers[row["event"]]} for row in heard])


def _runs(part: Part, fit: Fit, struck: Ints, notes: pl.DataFrame, line: Line) -> tuple[Ints, list[Row]]:
    """The run of each note, and the events heard between notes, by their place in the part, with theirs."""
    if fit.state != "placed":
        return rounds(struck), []
    start_s, end_s = (notes[name].to_numpy().astype(np.float64) for name in ("start_s", "end_s"))
    gaps = heard_in_line(
        part,
        Notes(struck, start_s, end_s, fit.beat_s),
        line_s=line[0],
        line_semitones=line[1] - fit.shift - fit.tuning_cents / 100.0,
    )
    run = rounds(struck, [gap.after for gap in gaps if gap.joins])
    rows: dict[tuple[int, int], Row] = {}
    for gap in gaps:
        for event, start, end in zip(gap.event.tolist(), gap.start_s.tolist(), gap.end_s.tolist(), strict=True):
            goes_on = gap.before >= 0 and event > struck[gap.before]
            of = int(run[gap.before if goes_on else gap.after])
            rows.setdefault((of, event), {"run": of, "event": event, "start_s": start, "end_s": end})
    return run, [rows[key] for key in sorted(rows)]


def _decided(decisions: Sequence[Mapping[str, Any]], notes: pl.DataFrame, numbers: list[int]) -> dict[int, int]:
    """By the number of the found note the event that a person says it is, counted from 0; -1 for none of the part."""
    place = {number: i for i, number in enumerate(numbers)}
    start_s, end_s = notes["start_s"].to_numpy(), notes["end_s"].to_numpy()
    said = {}
    for row in decisions:
        away = np.maximum(np.maximum(start_s - row["time_s"], row["time_s"] - end_s), 0.0)
        if away.size and away.min() <= NEAR_S:
            said[int(np.argmin(away))] = -1 if row["event"] is None else place.get(row["event"], -1)
    return said


def _estimated(fit: Fit, j: int, numbers: list[int]) -> Row:
    event, second = int(fit.event[j]), int(fit.second_event[j])
    return {
        "estimated_event": None if event < 0 else numbers[event],
        "estimated_probability": _known(fit.probability[j]),
        "second_event": None if second < 0 else numbers[second],
        "second_probability": _known(fit.second_probability[j]) if second >= 0 else None,
        "beat_s": _known(fit.beat_s[j]),
    }


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
