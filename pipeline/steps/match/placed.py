"""The notes of one take laid on one edition, as rows: each note's place, by estimate or by a person's word."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from pipeline.signal.passages.lay import EXTRA, OUTSIDE, ROLES, STRUCK, Fit, lay, rounds, times_through
from pipeline.steps.match.written import part_of

NEAR_S = 0.15
"""How far a time given by a person may lie off the note that it means (common practice, no source)."""

Row = dict[str, Any]


class Placed(NamedTuple):
    """How the take fits, the catalogue's number of each event, and a row of ``written_match`` for each found note."""

    fit: Fit
    numbers: list[int]
    rows: list[Row]


def placed(
    written: Sequence[Mapping[str, Any]],
    ways: Sequence[Mapping[str, Any]],
    notes: pl.DataFrame,
    decisions: Sequence[Mapping[str, Any]] = (),
) -> Placed:
    """Lay found notes on an edition.

    Parameters
    ----------
    written, ways : rows of ``written_note`` (at least one, in order) and ``written_way`` of the edition.
    notes : rows of ``note`` of the take, in order of time.
    decisions : ``time_s`` and ``event`` (None for none of the part) as a person says.
    """
    part, numbers = part_of(written, ways)
    midi, start_s = (notes[name].to_numpy().astype(np.float64) for name in ("midi", "start_s"))
    fit = lay(part, midi=midi, start_s=start_s)
    return Placed(fit, numbers, _rows(fit, notes, numbers, _decided(decisions, notes, numbers)))


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


def _rows(fit: Fit, notes: pl.DataFrame, numbers: list[int], decided: Mapping[int, int]) -> list[Row]:
    event, role = fit.event.copy(), fit.role.copy()
    for j, at in decided.items():
        event[j], role[j] = at, OUTSIDE if at < 0 else STRUCK
    number = [*numbers, None]
    struck = np.where(role < EXTRA, event, -1)
    run, times = rounds(struck), times_through(struck)
    rows = []
    for j, note_id in enumerate(notes["note_id"].to_list()):
        second = int(fit.second_event[j])
        estimate = None if np.isnan(fit.probability[j]) else float(fit.probability[j])
        rows.append(
            {
                "note_id": note_id,
                "event": number[event[j]],
                "state": ROLES[role[j]],
                "run": int(run[j]) or None,
                "time_through": int(times[j]) or None,
                "probability": 1.0 if j in decided else estimate,
                "decided": j in decided,
                "estimated_event": number[fit.event[j]],
                "estimated_probability": estimate,
                "second_event": number[second],
                "second_probability": float(fit.second_probability[j]) if second >= 0 else None,
                "beat_s": None if np.isnan(fit.beat_s[j]) else float(fit.beat_s[j]),
            }
        )
    return rows
