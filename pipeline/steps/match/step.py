"""The step ``match``: which written note of the work each found note of a transfer is.

Each take is laid on every edition of its work; the reference edition names the places. A person's word on a found note
wins, and the estimate stays beside it.
"""

from collections.abc import Mapping
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.settings import MatchSettings
from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.store import schema
from pipeline.store.catalogue.recording import takes_on
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.catalogue.written import reference

if TYPE_CHECKING:
    from pipeline.signal.passages.lay import Fit
    from pipeline.signal.passages.part import Part

TABLES = ("written_fit", "written_match")
NEAR_S = 0.15
"""How far a time given by a person may lie off the note that it means (common practice, no source)."""
_NOTE = ("event", "bar_index", "beat", "beats", "onset", "midi", "grace")

Row = dict[str, Any]


def _facts(catalogue: Catalogue, transfer_id: str) -> dict[str, Any]:
    transfer = catalogue.one("transfer", transfer_id)
    works, takes = {}, {}
    for take in takes_on(catalogue, transfer["side_id"]):
        work_id = take["work_id"]
        parts = catalogue.rows("written_part", work_id=work_id) if work_id else []
        if not parts:
            continue
        named_by = reference(parts)
        works[work_id] = {edition: _part_rows(catalogue, work_id, edition) for edition in _editions(parts)}
        takes[take["take_id"]] = {
            "work_id": work_id,
            "decisions": [
                {"edition": row["edition"] or named_by, "time_s": row["time_s"], "event": row["event"]}
                for row in catalogue.rows("place_decision", take_id=take["take_id"], work_id=work_id)
            ],
        }
    return {"works": works, "takes": takes}


def _editions(parts: list[Row]) -> list[str]:
    return sorted(part["edition"] for part in parts)


def _part_rows(catalogue: Catalogue, work_id: str, edition: str) -> dict[str, list[Row]]:
    own = {"work_id": work_id, "edition": edition}
    return {
        "notes": [{name: row[name] for name in _NOTE} for row in catalogue.rows("written_note", **own)],
        "ways": [
            {name: row[name] for name in ("from_event", "to_event")} for row in catalogue.rows("written_way", **own)
        ],
    }


def _run(given: StepInput[MatchSettings]) -> StepOutput:
    from pipeline.signal.passages.lay import lay
    from pipeline.steps.match.written import part_of

    transfer_id = given.unit_id
    found = given.tables[transfer_id]["note"].sort("start_s", "note_id")
    rows: dict[str, list[Row]] = {name: [] for name in TABLES}
    for take_id, take in sorted(given.facts["takes"].items()):
        notes = found.filter(pl.col("take_id") == take_id)
        midi, start_s = (notes[name].to_numpy().astype(np.float64) for name in ("midi", "start_s"))
        for edition, written in given.facts["works"][take["work_id"]].items():
            if not written["notes"]:
                continue
            part, numbers = part_of(written["notes"], written["ways"])
            fit = lay(part, midi=midi, start_s=start_s)
            own = {"transfer_id": transfer_id, "take_id": take_id, "work_id": take["work_id"], "edition": edition}
            decided = _decided(take["decisions"], edition, notes, numbers)
            matched = _match_rows(fit, notes, numbers, decided)
            rows["written_match"] += [own | row for row in matched]
            rows["written_fit"].append(own | _fit_row(fit, part, matched, numbers, written["notes"]))
    frames = {name: _frame(name, made) for name, made in rows.items()}
    return StepOutput({transfer_id: frames}, {transfer_id: ("done", _said(rows["written_fit"]))})


def _decided(decisions: list[Row], edition: str, notes: pl.DataFrame, numbers: list[int]) -> dict[int, int]:
    """By the number of the found note the event that a person says it is, counted from 0; -1 for none of the part."""
    place = {number: i for i, number in enumerate(numbers)}
    start_s, end_s = notes["start_s"].to_numpy(), notes["end_s"].to_numpy()
    said = {}
    for row in decisions:
        away = np.maximum(np.maximum(start_s - row["time_s"], row["time_s"] - end_s), 0.0)
        if row["edition"] == edition and away.size and away.min() <= NEAR_S:
            said[int(np.argmin(away))] = -1 if row["event"] is None else place.get(row["event"], -1)
    return said


def _match_rows(fit: "Fit", notes: pl.DataFrame, numbers: list[int], decided: Mapping[int, int]) -> list[Row]:
    from pipeline.signal.passages.lay import EXTRA, OUTSIDE, ROLES, STRUCK, rounds, times_through

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


def _fit_row(fit: "Fit", part: "Part", matched: list[Row], numbers: list[int], notes: list[Row]) -> Row:
    row: Row = {
        "state": fit.state,
        "likelihood": None if np.isnan(fit.log_likelihood) else fit.log_likelihood,
        "gain": None if np.isnan(fit.gain) else fit.gain,
        "written_events": len(numbers),
        "found_notes": len(matched),
    }
    struck = [m for m in matched if m["state"] in ("struck", "again")]
    if fit.state != "placed" or not struck:
        return row
    spans = [[m["event"] for m in group] for _, group in groupby(struck, key=lambda m: m["run"])]
    reached = {number for events in spans for number in numbers if min(events) <= number <= max(events)}
    of_bar: dict[Any, set[int]] = {}
    for note in notes:
        of_bar.setdefault(note["bar_index"], set()).add(note["event"])
    beat_s = np.nanmedian(fit.beat_s) if np.isfinite(fit.beat_s).any() else None
    return row | {
        "shift_semitones": fit.shift,
        "tuning_cents": fit.tuning_cents,
        "share_found_placed": len(struck) / len(matched),
        "share_written_reached": len(reached) / len(numbers),
        "bars_left_out": sum(not events & reached for bar, events in of_bar.items() if bar is not None),
        "times_through": max(m["time_through"] for m in struck),
        "beats_per_minute": None if beat_s is None else float(60.0 / beat_s),
    }


def _said(fits: list[Row]) -> str:
    """What came of it, in words."""
    if not fits:
        return "no written part"
    placed = [fit for fit in fits if fit["state"] == "placed"]
    words = []
    if placed:
        best = max(placed, key=lambda fit: fit["share_found_placed"])
        words.append(f"{best['share_found_placed']:.0%} of the notes have a written place")
    for fit in fits:
        if fit["state"] == "not_this_work":
            words.append(f"{fit['take_id']} is not what {fit['edition']} of {fit['work_id']} has written")
        if fit["state"] == "too_little":
            words.append(f"too few notes of {fit['take_id']} were found to place them")
    return "; ".join(dict.fromkeys(words))


def _frame(name: str, rows: list[Row]) -> pl.DataFrame:
    columns = schema.load(name).polars_schema()
    return pl.DataFrame({c: [row.get(c) for row in rows] for c in columns.names()}, schema=columns)


STEP = Step(
    name="match",
    version=1,
    scope="transfer",
    reads=("note",),
    writes=TABLES,
    facts=_facts,
    run=_run,
)
