"""The step ``match``: which written note of the work each found note of a transfer is.

Each take is laid on every edition of its work; the reference edition names the places. A person's word on a found note
wins, and the estimate stays beside it. Events without a found note are looked for in the pitch line.
"""

from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.counted import short_of
from pipeline.settings import MatchSettings
from pipeline.signal.passages.part import LEAST_NOTES
from pipeline.steps.base import Step, StepInput, StepOutput, Tables
from pipeline.steps.match.written import part_rows
from pipeline.store import schema
from pipeline.store.catalogue.recording import takes_on
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.catalogue.written import reference

if TYPE_CHECKING:
    from pipeline.steps.match.placed import Line, Placed

TABLES = ("written_fit", "written_match", "written_heard")

LEAST_VOICED = 0.3
"""Where the line is less likely than this to sound it is left out (common practice, no source)."""

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
        works[work_id] = {edition: part_rows(catalogue, work_id, edition) for edition in _editions(parts)}
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


def _run(given: StepInput[MatchSettings]) -> StepOutput:
    from pipeline.steps.match.placed import placed

    transfer_id = given.unit_id
    found = given.tables[transfer_id]["note"].sort("start_s", "note_id")
    rows: dict[str, list[Row]] = {name: [] for name in TABLES}
    for take_id, take in sorted(given.facts["takes"].items()):
        notes = found.filter(pl.col("take_id") == take_id)
        line = _line(given.tables[transfer_id], take_id)
        for edition, written in given.facts["works"][take["work_id"]].items():
            if not written["notes"]:
                continue
            own = {"transfer_id": transfer_id, "take_id": take_id, "work_id": take["work_id"], "edition": edition}
            decisions = [row for row in take["decisions"] if row["edition"] == edition]
            laid = placed(written["notes"], written["ways"], notes, decisions, line)
            rows["written_match"] += [own | row for row in laid.rows]
            rows["written_heard"] += [own | row for row in laid.heard]
            rows["written_fit"].append(own | _fit_row(laid, written["notes"]))
    frames = {name: _frame(name, made) for name, made in rows.items()}
    return StepOutput({transfer_id: frames}, {transfer_id: ("done", _said(rows["written_fit"]))})


def _line(tables: Tables, take_id: str) -> "Line":
    """The pitch line of a take, corrected, where it sounds."""
    from pipeline.signal.speed.speed_map import SpeedMap
    from pipeline.units import midi_of_hz

    spans, frames, curve = (tables[name] for name in ("solo_span", "pitch_frame", "speed_curve"))
    inside = pl.any_horizontal(
        pl.lit(value=False),
        *(
            pl.col("transfer_time_s").is_between(row["transfer_start_s"], row["transfer_end_s"])
            for row in spans.filter(pl.col("take_id") == take_id).iter_rows(named=True)
        ),
    )
    frames = frames.filter(inside).sort("transfer_time_s")
    if frames.is_empty() or curve.is_empty():
        return np.empty(0), np.empty(0)
    transfer_s = frames["transfer_time_s"].to_numpy()
    sounding = pl.when(pl.col("voiced_probability") >= LEAST_VOICED).then(pl.col("f0_hz"))
    hz = frames.select(sounding.cast(pl.Float64).fill_null(float("nan"))).to_series().to_numpy()
    speed_map = SpeedMap(curve["transfer_time_s"].to_numpy(), curve["correction_cents"].to_numpy())
    reference_hz = float(tables["speed"]["reference_pitch_hz"][0])
    return speed_map.to_true_s(transfer_s), midi_of_hz(
        speed_map.true_hz(hz, transfer_s=transfer_s), reference_pitch_hz=reference_hz
    )


def _fit_row(laid: "Placed", notes: list[Row]) -> Row:
    fit, numbers, matched = laid.fit, laid.numbers, laid.rows
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
    spans: dict[int, list[int]] = {}
    for each in (*struck, *laid.heard):
        spans.setdefault(each["run"], []).append(each["event"])
    reached = {number for events in spans.values() for number in numbers if min(events) <= number <= max(events)}
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
        words.append(f"{100 * best['share_found_placed']:.0f} % of the notes have a written place")
    for fit in fits:
        if fit["state"] == "not_this_work":
            words.append(f"{fit['take_id']} is not what {fit['edition']} of {fit['work_id']} has written")
        if fit["state"] == "too_little":
            few = short_of(fit["found_notes"], LEAST_NOTES, "note", "placing them")
            words.append(f"{fit['take_id']}: {few} were found")
    return "; ".join(dict.fromkeys(words))


def _frame(name: str, rows: list[Row]) -> pl.DataFrame:
    columns = schema.load(name).polars_schema()
    return pl.DataFrame({c: [row.get(c) for row in rows] for c in columns.names()}, schema=columns)


STEP = Step(
    name="match",
    version=3,
    scope="transfer",
    reads=("note", "pitch_frame", "speed", "speed_curve", "solo_span"),
    writes=TABLES,
    facts=_facts,
    run=_run,
)
