"""The step ``hand``: strings, fingers and positions of the notes and slides of one transfer.

Where the speed may be another by a semitone or so the hand is another one: each such reading gets its own rows, told
apart by ``speed_rank``, with its share of all (``speed_share``); rank 1 is the reading that the other tables use.
"""

from collections.abc import Mapping
from typing import Any, NamedTuple

import polars as pl

from pipeline.settings import HandSettings
from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.steps.board import board_of, tuning_of
from pipeline.steps.detect.solo_spans import instrument, solo_facts
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue
from pipeline.units import semitones_of_ratio

TABLES = ("note_hand", "slide_hand", "transition_hand", "fingering_match", "chord_hand", "chord_fingering_match")
LEAST_READING = 0.1
"""Probability from which on another reading of the speed gets rows of its own."""
MOST_READINGS = 3
SAME_HAND_SEMITONES = 0.3
_PRINTED = ("note_number", "event", "midi", "string", "finger", "position", "slide_marked")


def _facts(catalogue: Catalogue, transfer_id: str) -> dict[str, Any]:
    solo = solo_facts(catalogue, transfer_id)
    takes = {}
    for take in solo["takes"]:
        work_id = (catalogue.row("take", take["take_id"]) or {}).get("work_id")
        takes[take["take_id"]] = {**tuning_of(catalogue, take), "printed": _printed(catalogue, work_id)}
    return {"instrument": instrument(solo), "takes": takes}


def _printed(catalogue: Catalogue, work_id: str | None) -> dict[str, list[dict[str, Any]]]:
    """What each edition of a work prints, note by note."""
    parts = catalogue.rows("written_part", work_id=work_id) if work_id else []
    return {
        part["edition"]: [
            {name: row[name] for name in _PRINTED}
            for row in catalogue.rows("written_note", work_id=work_id, edition=part["edition"])
        ]
        for part in parts
    }


class SpeedReading(NamedTuple):
    """By how many semitones a reading of the speed raises every pitch, and its share of all that have rows."""

    semitones: float
    share: float


def readings(speed: Mapping[str, Any], alternatives: pl.DataFrame) -> list[SpeedReading]:
    """The readings of the speed that mean another hand each; the first, of 0 semitones, is the one used."""
    if speed["state"] not in ("estimated", "ambiguous"):
        return [SpeedReading(0.0, 1.0)]
    found = {0.0: 0.0}
    for row in alternatives.sort("rank").to_dicts():
        pitch = semitones_of_ratio(row["reference_pitch_hz"] / speed["reference_pitch_hz"])
        semitones = (row["offset_cents"] - speed["offset_cents"]) / 100.0 - float(pitch)
        nearest = min(found, key=lambda known: abs(semitones - known))
        same = nearest if abs(semitones - nearest) <= SAME_HAND_SEMITONES else semitones
        found[same] = found.get(same, 0.0) + row["probability"]
    others = [one for one in found if one != 0.0 and found[one] >= LEAST_READING]
    kept = [0.0, *sorted(others, key=lambda one: -found[one])[: MOST_READINGS - 1]]
    whole = sum(found[one] for one in kept)
    return [SpeedReading(one, found[one] / whole if whole else 1.0) for one in kept]


def _run(given: StepInput[HandSettings]) -> StepOutput:
    from pipeline.steps.hand.chords import chord_rows, chords_of_take
    from pipeline.steps.hand.printed import above_print
    from pipeline.steps.hand.printed_chords import compared
    from pipeline.steps.hand.rows import rows_of_take, school_of
    from pipeline.steps.hand.taken import take_notes

    transfer_id = given.unit_id
    tables = given.tables[transfer_id]
    settings = given.settings
    ranks = readings(tables["speed"].row(0, named=True), tables["speed_alternative"])
    parts = {name: [_frame(name, [])] for name in TABLES}  # frames, as rows of hours would fill the memory
    told = 0
    for take_id in tables["note"]["take_id"].unique().sort(nulls_last=True).to_list():
        of_take = pl.col("take_id").eq_missing(take_id)
        take = take_notes(*(tables[name].filter(of_take) for name in ("note", "transition", "slide")))
        board = board_of(given.facts, tables["melody"], take_id)
        for rank, (semitones, share) in enumerate(ranks, start=1):
            own = {"speed_rank": rank, "speed_share": share, "transfer_id": transfer_id, "take_id": take_id}
            made, hand = rows_of_take(take, board=board, settings=settings, semitones=semitones, own=own)
            for name, new in made.items():
                parts[name].append(_frame(name, new))
            found, inner = (tables[name].filter(of_take) for name in ("chord", "chord_note"))
            school = school_of(settings)
            chords = chords_of_take(take, found, inner, board=board, school=school, semitones=semitones)
            parts["chord_hand"].append(_frame("chord_hand", chord_rows(chords, board=board, own=own)))
            if rank > 1:
                continue
            told += sum(r["rank"] == 1 and not r["cannot_tell"] for r in made["note_hand"])
            keys = {"transfer_id": transfer_id, "take_id": take_id}
            for edition, printed in (given.facts["takes"].get(take_id) or {"printed": {}})["printed"].items():
                of_edition = of_take & (pl.col("edition") == edition)
                matched, fit = (tables[name].filter(of_edition).to_dicts() for name in ("written_match", "written_fit"))
                own = {**keys, "edition": edition}
                beside = compared(
                    printed, matched, take=take, hand=hand, chords=chords, board=board, above=above_print(fit), own=own
                )
                for name, new in beside.items():
                    parts[name].append(_frame(name, new))
    frames = {name: pl.concat(made) for name, made in parts.items()}
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
    version=21,
    scope="transfer",
    reads=(
        *("note", "transition", "slide", "chord", "chord_note", "speed", "speed_alternative", "melody"),
        *("written_match", "written_fit"),
    ),
    writes=TABLES,
    facts=_facts,
    run=_run,
)
