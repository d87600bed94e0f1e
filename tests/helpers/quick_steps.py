"""Steps with the names, scopes and tables of the real ones, but next to no arithmetic: for tests of runs.

What they write depends on everything that a step may depend on: samples, facts, settings and input tables. The
environment variable QUICK_STEPS can name transfers and what befalls them: ``s01-a dies,s02-a full``, ``s01-a faulty``,
``s01-a stumbles`` (the first time only); each try adds a line to the file that QUICK_STEPS_TRIES names.
"""

import errno
import hashlib
import os
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import AudioError
from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.steps.scopes import session_transfers
from pipeline.store import schema

ROWS = 40


def filled(table: str, transfer_id: str, *parts: object) -> pl.DataFrame:
    """Rows that fit the schema of a table; their numbers follow from ``parts``."""
    relation = schema.load(table)
    fraction = int(hashlib.sha256(repr(parts).encode()).hexdigest()[:8], 16) / 2**32
    rows: list[dict[str, Any]] = []
    for number in range(1 if relation.key == ("transfer_id",) else ROWS):
        share = (number + fraction) / ROWS
        row: dict[str, Any] = {}
        for column in relation.columns:
            low, high = column.range or (0.0, 100.0)
            if column.name == "transfer_id":
                row[column.name] = transfer_id
            elif column.values:
                row[column.name] = column.values[0]
            elif column.type == "double":
                row[column.name] = low + share * (high - low)
            elif column.type == "int64":
                row[column.name] = int(low) + number % int(high - low + 1)
            elif not column.required or column.type.startswith("list"):
                row[column.name] = None if not column.required else []
            else:
                row[column.name] = False if column.type == "boolean" else f"{transfer_id}-{number}"
        rows.append(row)
    return pl.DataFrame(rows, schema=relation.polars_schema())


def threads() -> list[int]:
    """How many threads the numeric libraries of this process may use."""
    import numba
    from threadpoolctl import threadpool_info

    return [pl.thread_pool_size(), numba.get_num_threads(), *(pool["num_threads"] for pool in threadpool_info())]


def _befalls(transfer_id: str) -> None:
    time.sleep(float(os.environ.get("QUICK_STEPS_SLEEP_S", "0")))
    tried, tries = False, os.environ.get("QUICK_STEPS_TRIES")
    if tries:
        with Path(tries).open("a+", encoding="utf-8") as file:
            file.seek(0)
            tried = transfer_id in file.read().split()
            file.write(transfer_id + "\n")
    what = dict(item.split() for item in os.environ.get("QUICK_STEPS", "").split(",") if item).get(transfer_id)
    if what == "dies":
        os._exit(9)
    if what == "full":
        raise OSError(errno.ENOSPC, "No space left on device")
    if what == "faulty":
        raise ZeroDivisionError("division by zero")
    if what == "stumbles" and not tried:
        raise OSError(errno.EIO, "Input/output error")


def _intake(given: StepInput) -> StepOutput:
    assert given.file is not None
    sound = given.sound(given.unit_id)
    if sound.samples.size < 1000:
        raise AudioError(f"{given.unit_id}: is too short; look whether the right file is named")
    return _one(given, "claim", given.file(given.unit_id).stat().st_size)


def _follow(given: StepInput) -> StepOutput:
    _befalls(given.unit_id)
    return _one(given, "pitch_frame", float(abs(given.sound(given.unit_id).samples).sum()), given.settings)


def _measure(given: StepInput) -> StepOutput:
    return _one(given, "speed_alternative", _sum(given, given.unit_id, "pitch_frame"))


def _settle_facts(catalogue: Any, unit_id: str) -> Mapping[str, Any]:
    facts = {}
    for transfer_id in session_transfers(catalogue, unit_id):
        rows = catalogue.rows("reference_pitch", take_id=f"t-{catalogue.row('transfer', transfer_id)['side_id']}")
        facts[transfer_id] = {"reference_pitch_hz": [row["reference_pitch_hz"] for row in rows]}
    return facts


def _settle(given: StepInput) -> StepOutput:
    shared = [_sum(given, t, "speed_alternative") for t in sorted(given.tables)]
    tables = {t: {"speed_curve": filled("speed_curve", t, shared, given.facts, t)} for t in given.tables}
    return StepOutput(tables, {})


def _detect(given: StepInput) -> StepOutput:
    return _one(given, "melody", *(_sum(given, given.unit_id, t) for t in ("pitch_frame", "speed_curve")))


def _sum(given: StepInput, transfer_id: str, table: str) -> float:
    return float(given.tables[transfer_id][table].select(pl.selectors.float().sum()).sum_horizontal()[0])


def _one(given: StepInput, table: str, *parts: object) -> StepOutput:
    return StepOutput({given.unit_id: {table: filled(table, given.unit_id, *parts)}}, {})


def _nothing(catalogue: Any, unit_id: str) -> Mapping[str, Any]:
    return {}


def _step(name: str, scope: Any, reads: str, writes: str, run: Callable[[StepInput], StepOutput], **more: Any) -> Step:
    facts = more.pop("facts", _nothing)
    return Step(name, 1, scope, tuple(reads.split()), tuple(writes.split()), facts, run, **more)


STEPS = (
    _step("intake", "transfer", "", "claim", _intake, needs_sound=True, needs_file=True),
    _step("follow", "transfer", "", "pitch_frame", _follow, needs_sound=True),
    _step("measure", "transfer", "pitch_frame", "speed_alternative", _measure),
    _step("settle", "session", "speed_alternative", "speed_curve", _settle, facts=_settle_facts),
    _step("detect", "transfer", "pitch_frame speed_curve", "melody", _detect),
)
