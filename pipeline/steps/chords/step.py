"""The step ``chords``: chords and double stops of the solo of one transfer, and each of their notes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from pipeline.counted import counted
from pipeline.settings import ChordsSettings
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.steps.board import board_of, tuning_of
from pipeline.steps.detect.solo_spans import instrument, second_player, solo_facts
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue
from pipeline.units import A4_HZ, cents_of_ratio

if TYPE_CHECKING:
    from pipeline.signal.chords.find import Chord
    from pipeline.units import Floats

TABLES = ("chord", "chord_note", "chord_frame")


def _facts(catalogue: Catalogue, transfer_id: str) -> Mapping[str, Any]:
    solo = solo_facts(catalogue, transfer_id)
    takes = {take["take_id"]: tuning_of(catalogue, take) for take in solo["takes"]}
    unaccompanied = [take["take_id"] for take in solo["takes"] if take["accompaniment"] == "none"]
    one_bow = second_player(solo) is None
    return {"instrument": instrument(solo), "takes": takes, "one_bow": one_bow, "unaccompanied": unaccompanied}


def _run(given: StepInput[ChordsSettings]) -> StepOutput:
    from pipeline.signal.chords.find import chords_of
    from pipeline.signal.chords.grid import at_rate
    from pipeline.signal.chords.judge import which_sound
    from pipeline.steps.chords.rows import Taken, rows_of

    transfer_id = given.unit_id
    tables = given.tables[transfer_id]
    spans = tables["solo_span"].filter(pl.col("content") == "solo").sort("transfer_start_s")
    if spans.is_empty() or not given.facts["one_bow"]:
        why = "no solo is heard" if spans.is_empty() else "another bowed player sounds too: chords are not told from it"
        empty = {name: schema.load(name).polars_schema() for name in TABLES}
        frames = {name: pl.DataFrame(schema=columns) for name, columns in empty.items()}
        return StepOutput({transfer_id: frames}, {transfer_id: ("cannot_tell", why)})
    curve = tables["speed_curve"].sort("transfer_time_s")
    speed_map = SpeedMap(curve["transfer_time_s"].to_numpy(), curve["correction_cents"].to_numpy())
    off_cents = cents_of_ratio(tables["speed"]["reference_pitch_hz"][0] / A4_HZ)

    def correction(at: Floats) -> Floats:
        return np.asarray((speed_map.cents_at(at) - off_cents) / 100.0)

    heard = given.sound(transfer_id)
    sound = at_rate(heard.samples, sample_rate_hz=float(heard.sample_rate_hz))
    boards = {take_id: board_of(given.facts, tables["melody"], take_id) for take_id in spans["take_id"].unique()}
    sounding = {name: which_sound(sound, instrument=name) for name in {b.instrument for b in boards.values()}}
    kinds = {take_id: (board, take_id in given.facts["unaccompanied"]) for take_id, board in boards.items()}
    found = {
        (board, alone): chords_of(sound, sounding[board.instrument], board=board, correction=correction, alone=alone)
        for board, alone in set(kinds.values())
    }
    taken: list[Taken] = []
    for span in spans.to_dicts():
        kind = kinds[span["take_id"]]
        taken += [Taken(c, span["take_id"], *kind) for c in found[kind] if _inside(c, span)]
    frames = rows_of(taken, transfer_id=transfer_id, notes=tables["note"], speed_map=speed_map)
    said = f"{counted(len(taken), 'chord')} of two strings or more"
    return StepOutput({transfer_id: frames}, {transfer_id: ("done", said)})


def _inside(chord: Chord, span: Mapping[str, Any]) -> bool:
    """Whether a chord's middle lies in a span of solo."""
    middle = 0.5 * (chord.start_s + chord.end_s)
    return bool(span["transfer_start_s"] <= middle < span["transfer_end_s"])


STEP = Step(
    name="chords",
    version=10,
    scope="transfer",
    reads=("note", "melody", "speed", "speed_curve", "solo_span"),
    writes=TABLES,
    facts=_facts,
    run=_run,
    needs_sound=True,
)
