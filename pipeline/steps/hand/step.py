"""The step ``hand``: strings, fingers and positions of the notes and slides of one transfer.

Where the speed is ambiguous by a semitone or so the hand is another one: each such reading gets its own rows, told
apart by ``speed_rank``; rank 1 is the reading that the other tables use.
"""

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.settings import HandSettings
from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.steps.board import board_of, tuning_of
from pipeline.steps.detect.solo_spans import instrument, solo_facts
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.catalogue.written import printed_notes, reference
from pipeline.units import semitones_of_ratio

TABLES = ("note_hand", "slide_hand", "transition_hand", "fingering_match", "chord_hand")
LEAST_READING = 0.1
"""Probability from which on another reading of the speed gets rows of its own."""
MOST_READINGS = 3
SAME_HAND_SEMITONES = 0.3


def _facts(catalogue: Catalogue, transfer_id: str) -> dict[str, Any]:
    solo = solo_facts(catalogue, transfer_id)
    takes = {}
    for take in solo["takes"]:
        work_id = (catalogue.row("take", take["take_id"]) or {}).get("work_id")
        printed = _printed(catalogue, work_id, take["take_id"]) if work_id else []
        kept = (
            *("edition", "note_number", "take_id", "time_s", "bar", "beat", "midi"),
            *("string", "finger", "position", "slide_marked"),
        )
        takes[take["take_id"]] = {
            **tuning_of(catalogue, take),
            "printed": [{name: row[name] for name in kept} for row in printed],
        }
    return {"instrument": instrument(solo), "takes": takes}


def _printed(catalogue: Catalogue, work_id: str, take_id: str) -> list[dict[str, Any]]:
    """Notes of every edition of a work in the order played, with the times that a person gave them in this take."""
    rows = list(catalogue.rows("printed_fingering", work_id=work_id))
    older = {row["edition"] for row in rows}
    decided = catalogue.rows("place_decision", take_id=take_id, work_id=work_id)
    parts = catalogue.rows("written_part", work_id=work_id)
    for edition in (part["edition"] for part in parts if part["edition"] not in older):
        meant = (edition, None) if edition == reference(parts) else (edition,)
        own = {"work_id": work_id, "edition": edition}
        decisions = [row for row in decided if row["edition"] in meant and row["event"] is not None]
        rows += printed_notes(catalogue.rows("written_note", **own), catalogue.rows("written_way", **own), decisions)
    return rows


def readings(speed: Mapping[str, Any], alternatives: pl.DataFrame) -> list[float]:
    """Semitones by which each reading of the speed raises every pitch; the first, 0, is the one used."""
    found = [0.0]
    if speed["state"] != "ambiguous":
        return found
    for row in alternatives.sort("rank").to_dicts():
        pitch = semitones_of_ratio(row["reference_pitch_hz"] / speed["reference_pitch_hz"])
        semitones = (row["offset_cents"] - speed["offset_cents"]) / 100.0 - float(pitch)
        new = all(abs(semitones - known) > SAME_HAND_SEMITONES for known in found)
        if row["probability"] >= LEAST_READING and new and len(found) < MOST_READINGS:
            found.append(semitones)
    return found


def _run(given: StepInput[HandSettings]) -> StepOutput:
    from pipeline.steps.hand.chords import chord_rows
    from pipeline.steps.hand.printed import match_rows
    from pipeline.steps.hand.rows import rows_of_take, school_of, take_notes

    transfer_id = given.unit_id
    tables = given.tables[transfer_id]
    settings = given.settings
    ranks = readings(tables["speed"].row(0, named=True), tables["speed_alternative"])
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in TABLES}
    told = 0
    for take_id in tables["note"]["take_id"].unique().sort(nulls_last=True).to_list():
        of_take = pl.col("take_id").eq_missing(take_id)
        take = take_notes(*(tables[name].filter(of_take) for name in ("note", "transition", "slide")))
        board = board_of(given.facts, tables["melody"], take_id)
        for rank, semitones in enumerate(ranks, start=1):
            own = {"speed_rank": rank, "transfer_id": transfer_id, "take_id": take_id}
            made, hand = rows_of_take(take, board=board, settings=settings, semitones=semitones, own=own)
            for name, new in made.items():
                rows[name] += new
            chords, inner = (tables[name].filter(of_take) for name in ("chord", "chord_note"))
            rows["chord_hand"] += chord_rows(
                take, chords, inner, board=board, school=school_of(settings), semitones=semitones, own=own
            )
            if rank > 1:
                continue
            told += sum(r["rank"] == 1 and not r["cannot_tell"] for r in made["note_hand"])
            printed = (given.facts["takes"].get(take_id) or {"printed": []})["printed"]
            for edition in sorted({p["edition"] for p in printed}):
                part = sorted((p for p in printed if p["edition"] == edition), key=lambda p: p["note_number"])
                keys = {"transfer_id": transfer_id, "take_id": take_id}
                rows["fingering_match"] += match_rows(part, take=take, hand=hand, board=board, own=keys)
    frames = {name: _frame(name, made) for name, made in rows.items()}
    notes = tables["note"].height
    if notes == 0:
        return StepOutput({transfer_id: frames}, {transfer_id: ("cannot_tell", "no notes were found")})
    return StepOutput({transfer_id: frames}, {transfer_id: ("done", f"the hand of {told} of {notes} notes is clear")})


def _frame(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    relation = schema.load(name)
    columns = relation.polars_schema()
    return pl.DataFrame({c: [row.get(c) for row in rows] for c in columns.names()}, schema=columns)


STEP = Step(
    name="hand",
    version=9,
    scope="transfer",
    reads=("note", "transition", "slide", "chord", "chord_note", "speed", "speed_alternative", "melody"),
    writes=TABLES,
    facts=_facts,
    run=_run,
)
