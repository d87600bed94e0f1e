"""Which speed, reference pitch and key: ranked readings of every side of a session, settled together."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
from scipy.interpolate import CubicSpline

from pipeline.settings import SettleSettings
from pipeline.signal.correct import SpeedMap
from pipeline.signal.semitone import key_log_likelihoods, parse_key
from pipeline.signal.speed import Reading, ReferencePitch, readings
from pipeline.steps.base import Outcome, Step, StepInput, StepOutput
from pipeline.steps.units import session_transfers
from pipeline.units import Floats

GRID_S = 0.02
OWN_DOUBT_CENTS = 300.0


def facts(catalogue: Any, unit_id: str) -> Mapping[str, Any]:
    """For each transfer of the session: what the catalogue says that bears on its speed."""
    return {
        transfer_id: _transfer_facts(catalogue, transfer_id)
        for transfer_id in session_transfers(catalogue, unit_id)
    }


def _transfer_facts(catalogue: Any, transfer_id: str) -> Mapping[str, Any]:
    transfer = catalogue.frame("transfer").filter(pl.col("transfer_id") == transfer_id).row(0, named=True)
    takes = catalogue.frame("side_take").filter(pl.col("side_id") == transfer["side_id"])["take_id"].to_list()
    take = catalogue.frame("take").filter(pl.col("take_id").is_in(takes)).sort("take_id").rows(named=True)
    works = catalogue.frame("work").filter(pl.col("work_id").is_in([row["work_id"] for row in take]))
    performances = catalogue.frame("performance").filter(pl.col("take_id").is_in(takes))
    pitches = catalogue.frame("reference_pitch").filter(pl.col("take_id").is_in(takes))
    decision = catalogue.frame("speed_decision").filter(pl.col("transfer_id") == transfer_id).rows(named=True)
    keys = {row["key_played"] for row in take if row["key_played"]} or set(works["key"].drop_nulls().to_list())
    transposed = bool(performances["transposed"].is_in(["yes", "unknown"]).any())
    return {
        "turntable_rpm": transfer["turntable_rpm"],
        "already_corrected": transfer["already_corrected"],
        "key": next(iter(keys)) if len(keys) == 1 and not transposed else None,
        "reference_pitch_hz": sorted(pitches["reference_pitch_hz"].to_list()),
        "decision": {
            name: decision[0][name]
            for name in ("playing_rpm", "correction_cents", "reference_pitch_hz", "decided_by")
        }
        if decision
        else None,
    }


def run(step: StepInput) -> StepOutput:
    """Settle the speeds of one session."""
    assert isinstance(step.settings, SettleSettings)
    tables: dict[str, Mapping[str, pl.DataFrame]] = {}
    outcomes: dict[str, tuple[Outcome, str]] = {}
    for transfer_id in sorted(step.tables):
        tuning = step.tables[transfer_id]["tuning"].row(0, named=True)
        tables[transfer_id], outcomes[transfer_id] = _settle(
            transfer_id, tuning, step.facts[transfer_id], step.settings
        )
    return StepOutput(tables, outcomes)


def _settle(
    transfer_id: str, tuning: Mapping[str, Any], known: Mapping[str, Any], settings: SettleSettings
) -> tuple[Mapping[str, pl.DataFrame], tuple[Outcome, str]]:
    grid = GRID_S * np.arange(int(np.ceil(tuning["length_s"] / GRID_S)) + 1, dtype=np.float64)
    ranked: list[Reading] = []
    state = "unmeasurable"
    curve, se = np.zeros(grid.size), np.full(grid.size, OWN_DOUBT_CENTS)
    sharp = 0.0
    stated = known["reference_pitch_hz"]
    reference_hz = stated[0] if stated else 440.0
    key = parse_key(known["key"]) if known["key"] else None
    if tuning["measured"]:
        sharp = tuning["sharp_cents"]
        ranked = readings(
            sharp_cents=sharp,
            key_scores=key_log_likelihoods(np.reshape(tuning["pitch_class_notes"], (-1, 12))),
            key=key,
            key_right=settings.catalogue_key_trust,
            references=[ReferencePitch(reference_hz, 1.0, "catalogue" if stated else "assumed")],
            turntable_rpm=known["turntable_rpm"],
            already_corrected=known["already_corrected"] == "yes",
        )
        state = _state(ranked, settings)
        curve = CubicSpline(tuning["curve_time_s"], tuning["curve_cents"])(grid) - sharp
        se = np.interp(grid, tuning["curve_time_s"], tuning["curve_se_cents"])
    offset = ranked[0].offset_cents if ranked else 0.0
    correction: Floats = np.asarray(offset - curve) if ranked else np.zeros(grid.size)
    estimated_ratio = _ratio(grid, correction)
    decision = known["decision"]
    estimated_state = state
    if decision:
        state = "decided"
        reference_hz = decision["reference_pitch_hz"] or reference_hz
        wanted = decision["correction_cents"]
        if wanted is None:
            wanted = 1200.0 * np.log2(decision["playing_rpm"] / known["turntable_rpm"])
        correction = correction + wanted - 1200.0 * np.log2(estimated_ratio)
    ratio = _ratio(grid, correction)
    rpm = known["turntable_rpm"]
    counted = rpm is not None and known["already_corrected"] != "yes"
    speed = {
        "transfer_id": transfer_id,
        "state": state,
        "speed_ratio": ratio,
        "offset_cents": 1200.0 * np.log2(ratio),
        "offset_se_cents": tuning["sharp_se_cents"] if ranked else OWN_DOUBT_CENTS,
        "playing_rpm": rpm * ratio if counted else None,
        "reference_pitch_hz": ranked[0].reference_pitch_hz if ranked and not decision else reference_hz,
        "key": ranked[0].key if ranked else known["key"],
        "drift_range_cents": float(np.ptp(curve)) if ranked else None,
        "wow_hz": None,
        "wow_cents": None,
        "estimated_state": estimated_state,
        "estimated_speed_ratio": estimated_ratio,
        "decided_by": decision["decided_by"] if decision else None,
        "remark": None if stated or decision else "no reference pitch in the catalogue: A4 = 440 Hz is assumed",
    }
    alternatives = [
        {
            "transfer_id": transfer_id,
            "rank": rank,
            "playing_rpm": reading.playing_rpm,
            "offset_cents": reading.offset_cents,
            "reference_pitch_hz": reading.reference_pitch_hz,
            "key": reading.key,
            "probability": reading.probability,
            "reason": reading.reason,
        }
        for rank, reading in enumerate(ranked, start=1)
    ]
    tables = {
        "speed": pl.DataFrame([speed], infer_schema_length=None),
        "speed_curve": pl.DataFrame(
            {
                "transfer_id": [transfer_id] * grid.size,
                "transfer_time_s": grid,
                "correction_cents": correction,
                "se_cents": se,
            }
        ),
        "speed_alternative": pl.DataFrame(
            alternatives,
            schema={
                "transfer_id": pl.String,
                "rank": pl.Int64,
                "playing_rpm": pl.Float64,
                "offset_cents": pl.Float64,
                "reference_pitch_hz": pl.Float64,
                "key": pl.String,
                "probability": pl.Float64,
                "reason": pl.String,
            },
        ),
    }
    outcome: Outcome = "cannot_tell" if state == "unmeasurable" else "done"
    return tables, (outcome, tuning["reason"] if state == "unmeasurable" else "")


def _state(ranked: list[Reading], settings: SettleSettings) -> str:
    rival = next((r.probability for r in ranked[1:] if abs(r.offset_cents - ranked[0].offset_cents) > 5.0), 0.0)
    return "ambiguous" if ranked[0].probability < settings.ambiguous_below_odds * rival else "estimated"


def _ratio(grid: Floats, correction: Floats) -> float:
    return float(grid[-1] / SpeedMap(grid, correction).length_true_s)


STEP = Step(
    name="settle",
    version=1,
    scope="session",
    reads=("tuning",),
    writes=("speed", "speed_curve", "speed_alternative"),
    facts=facts,
    run=run,
)
