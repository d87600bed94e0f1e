"""Ranked readings of every side of a session, settled together: what the step ``settle`` computes."""

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from pipeline.instruments import INSTRUMENTS
from pipeline.settings import SettleSettings
from pipeline.signal.speed.correction import SharpCurve, helped_by_session, speed_ratio, time_grid
from pipeline.signal.speed.evidence import SessionSpeed
from pipeline.signal.speed.key import PrintedKey, parse_key
from pipeline.signal.speed.prior import LabelSpeed, cents_of_rpm
from pipeline.signal.speed.readings import Change, Notes, SideEvidence
from pipeline.signal.speed.session import (
    LISTED_SEMITONES,
    OUTLIER_SHARE,
    Reading,
    SettledSide,
    settle_together,
    shared_speed,
)
from pipeline.signal.tuning.wow import Wow
from pipeline.steps.base import Outcome, StepInput, StepOutput
from pipeline.steps.settle.evidence_words import reason
from pipeline.steps.settle.facts import pitches_of
from pipeline.steps.settle.remarks import Known, decision_cents, remarks, ruled_one_speed
from pipeline.units import Z_95, Floats, cents_of_ratio, playing_rpm, ratio_of_cents

UNMEASURED_SE_CENTS = 100.0
LEAST_PROBABILITY = 1e-3
Row = Mapping[str, Any]
_ALTERNATIVE = {
    "transfer_id": pl.String,
    "rank": pl.Int64,
    "playing_rpm": pl.Float64,
    "offset_cents": pl.Float64,
    "offset_se_cents": pl.Float64,
    "reference_pitch_hz": pl.Float64,
    "key": pl.String,
    "probability": pl.Float64,
    "reason": pl.String,
}


def settle_sides(given: StepInput[SettleSettings]) -> StepOutput:
    """Settle the speeds of one session."""
    settings = given.settings
    rows = {name: given.tables[name]["tuning"].row(0, named=True) for name in sorted(given.tables)}
    measured = [name for name, row in rows.items() if row["measured"]]
    instruments = {name: given.tables[name]["melody"].row(0, named=True)["instrument"] for name in measured}
    sides = [
        side_evidence(name, rows[name], given.facts[name], instruments[name], settings.catalogue_key_trust)
        for name in measured
    ]
    tied = [side for side in sides if not given.facts[side.name]["copy"]]
    settled = settle_together(tied)
    for side in sides:
        settled.update({} if side in tied else settle_together([side]))
    facts = {name: _with_waiting(given.facts[name], given.samples_sha256.get(name)) for name in rows}
    own = {name: sharp_curve(rows[name]) for name in measured}
    curves = own | helped_by_session({name: own[name] for name in measured if not ruled_one_speed(facts[name])})
    tables: dict[str, Mapping[str, pl.DataFrame]] = {}
    outcomes: dict[str, tuple[Outcome, str]] = {}
    pitches = {name: _pitch(facts[name], settled.get(name)) for name in rows}
    # what cannot be measured comes last: the others' speeds are offered to it
    for name in sorted(rows, key=lambda name: (name not in measured, name)):
        known = facts[name]
        mates = [tables[other]["speed"].row(0, named=True) for other in tables if not given.facts[other]["copy"]]
        tables[name], outcomes[name] = _tables(
            name,
            rows[name],
            {
                **known,
                "leans": name in measured and curves[name] is not own[name],
                "pitches": {other: pitches[other] for other in rows if facts[other]["side"] == known["side"]},
            },
            settled.get(name),
            curves.get(name),
            settings,
            offered=None if name in measured else _offered(known, mates),
        )
    return StepOutput(tables, outcomes)


def _with_waiting(known: Mapping[str, Any], sound: str | None) -> dict[str, Any]:
    """A transfer's facts, and whether its ruling waits because it was made for other samples."""
    decision = known["decision"]
    waits = bool(decision and decision["samples_sha256"] and sound and decision["samples_sha256"] != sound)
    return {**known, "waits": waits}


def _pitch(known: Mapping[str, Any], settled: SettledSide | None) -> float | None:
    """The A4 that a transfer's speed rests on, in Hz; None where it is neither ruled nor measured."""
    if decision_cents(known)[0] is not None:
        return float(known["decision"]["reference_pitch_hz"])
    return settled.readings[0].reference_pitch_hz if settled else None


def side_evidence(name: str, tuning: Row, known: Mapping[str, Any], instrument: str, key_trust: float) -> SideEvidence:
    """What a row of ``tuning`` and the catalogue's facts say of one side."""
    semitone, *values = (
        np.asarray(tuning[f"note_{name}"])
        for name in ("semitone", "start_s", "deviation_cents", "length_s", "wobble_cents")
    )
    start_s, above, length_s, wobble = (np.asarray(value, dtype=np.float64) for value in values)
    curve = sharp_curve(tuning)
    return SideEvidence(
        name=name,
        recording=known["side"],
        sharp_cents=tuning["sharp_cents"],
        sharp_se=tuning["sharp_se_cents"],
        length_s=tuning["length_s"],
        notes=Notes(start_s, semitone.astype(np.int64), above, length_s, wobble),
        accompaniment=np.reshape(np.asarray(tuning["accompaniment_pitch_classes"], dtype=np.float64), (-1, 12)),
        changes=tuple(Change(time_s, cents, curve.share_after(time_s)) for time_s, cents in curve.jumps),
        key=_printed(known, key_trust),
        open_midi=tuple(known["open_strings"] or INSTRUMENTS[instrument].open_midi),
        references=pitches_of(known),
        turntable_rpm=known["turntable_rpm"],
        already_corrected=known["already_corrected"],
        process=known["process"],
        labels=tuple(LabelSpeed(*row) for row in known["labels"]),
        hum_hz=tuple(tuning["hum_hz"]) if known["process"] == "electrical" else (),
    )


def _printed(known: Row, trust: float) -> PrintedKey | None:
    if not known["key"]:
        return None
    return PrintedKey.trusted(parse_key(known["key"]), trust=trust, not_transposed=known["key_share"])


def sharp_curve(tuning: Row) -> SharpCurve:
    """The tuning curve of a row of ``tuning``."""
    wow = None
    if tuning["wow_hz"] is not None:
        wow = Wow(
            hz=tuning["wow_hz"],
            cents=tuning["wow_cents"],
            phase_rad=tuning["wow_phase_rad"],
            shrink=tuning["wow_shrink"],
            hz_se=tuning["wow_hz_se"],
            cents_se=tuning["wow_se_cents"],
            chance=tuning["wow_chance"],
        )
    return SharpCurve(
        length_s=tuning["length_s"],
        mean_cents=tuning["sharp_cents"],
        time_s=np.asarray(tuning["curve_time_s"], dtype=np.float64),
        smooth_cents=np.asarray(tuning["curve_cents"], dtype=np.float64),
        se_cents=np.asarray(tuning["curve_se_cents"], dtype=np.float64),
        jumps=tuple(zip(tuning["jump_s"], tuning["jump_cents"], strict=True)),
        wow=wow,
    )


def _tables(
    name: str,
    tuning: Row,
    known: Known,
    settled: SettledSide | None,
    curve: SharpCurve | None,
    settings: SettleSettings,
    *,
    offered: Reading | None,
) -> tuple[dict[str, pl.DataFrame], tuple[Outcome, str]]:
    readings = listed(settled.readings) if settled else []
    first = readings[0] if readings else None
    along = _corrected(tuning, known, first, curve)
    curve, ratio = along.heard, along.ratio
    estimated = _state(settled, settings.ambiguous_below_odds)
    state = "decided" if along.ruled else estimated
    decision = known["decision"] if along.ruled else None
    turns = known["turntable_rpm"] is not None and known["already_corrected"] != "yes"
    counted = turns and state != "unmeasurable"
    drift = curve.drift_at(along.time_s) if curve is not None else np.zeros(0)
    jumps = along.by.jumps if along.by is not None else ()
    said = remarks(tuning, known, settled, first, estimated=estimated, jumps=jumps, offered=offered)
    speed = {
        "transfer_id": name,
        "state": state,
        "speed_ratio": ratio,
        "offset_cents": float(cents_of_ratio(ratio)),
        **_limits(settled, first, decision, float(cents_of_ratio(ratio))),
        "playing_rpm": playing_rpm(turntable_rpm=known["turntable_rpm"], speed_ratio=ratio) if counted else None,
        "reference_pitch_hz": _reference(decision, first, known),
        "key": decision["key"] if decision is not None else (first.key if first else None),
        "one_speed": ruled_one_speed(known),
        "drift_range_cents": float(np.ptp(drift)) if drift.size else None,
        "drift_se_cents": _drift_se(curve, along.time_s, drift) if curve is not None else None,
        **_ends(along.by, tuning, first, float(cents_of_ratio(ratio / along.estimated_ratio))),
        "wow_hz": tuning["wow_hz"],
        "wow_cents": tuning["wow_cents"],
        "flutter_hz": tuning["flutter_hz"],
        "flutter_cents": tuning["flutter_cents"],
        **_jumps(curve, tuning),
        "estimated_state": estimated,
        "estimated_speed_ratio": along.estimated_ratio,
        **_rival(settled, readings),
        "decided_by": decision["decided_by"] if decision else None,
        "remark": said or None,
    }
    tables = {
        "speed": pl.DataFrame([speed], infer_schema_length=None),
        "speed_curve": _curve_frame(name, along.time_s, along.cents, along.se_cents),
        "speed_alternative": _alternatives(name, [offered] if offered else readings, bool(turns)),
    }
    if state == "unmeasurable":
        return tables, ("cannot_tell", tuning["reason"])
    return tables, ("done", state)


class _Corrected(NamedTuple):
    """The correction of one side along its time.

    Attributes
    ----------
    time_s, cents, se_cents : shape (n,), the correction and its standard error.
    ratio, estimated_ratio : of the whole side, and what it would be without a ruling.
    ruled : whether a person ruled on the speed.
    heard, by : the tuning curve as heard, and as it is corrected by; None where there is none.
    """

    time_s: Floats
    cents: Floats
    se_cents: Floats
    ratio: float
    estimated_ratio: float
    ruled: bool
    heard: SharpCurve | None
    by: SharpCurve | None


def _corrected(tuning: Row, known: Known, first: Reading | None, curve: SharpCurve | None) -> _Corrected:
    """The correction of a side by its first reading, or as ruled."""
    length_s = float(tuning["length_s"])
    grid = time_grid(length_s)
    cents, se = np.zeros(grid.size), np.full(grid.size, UNMEASURED_SE_CENTS)
    by = None
    if curve is not None and first is not None:
        curve = curve.turned(first.turns)
        by = curve.level() if ruled_one_speed(known) else curve
        cents, se = by.correction(offset_cents=first.offset_cents), _se_along(by, grid, tuning, first)
    estimated_ratio = speed_ratio(grid, cents, length_s=length_s)
    ruled, _ = decision_cents(known)
    if ruled is not None:
        cents = cents + ruled - float(cents_of_ratio(estimated_ratio))
    ratio = speed_ratio(grid, cents, length_s=length_s)
    return _Corrected(grid, cents, se, ratio, estimated_ratio, ruled is not None, curve, by)


def _drift_se(curve: SharpCurve, grid: Floats, drift: Floats) -> float:
    ends = grid[[int(np.argmin(drift)), int(np.argmax(drift))]]
    return float(np.hypot(*curve.se_at(ends)))


def _se_along(curve: SharpCurve, time_s: Floats, tuning: Row, reading: Reading) -> Floats:
    # the curve's own error, and what intonation leaves open of the whole
    whole = max(reading.offset_se**2 - tuning["sharp_se_cents"] ** 2, 0.0)
    return np.asarray(np.sqrt(curve.se_at(time_s) ** 2 + whole))


def _jumps(curve: SharpCurve | None, tuning: Row) -> dict[str, Any]:
    """The greatest sudden change as read, where it may lie, and how small a change the side would show."""
    greatest = max(curve.jumps, key=lambda jump: abs(jump[1]), default=None) if curve is not None else None
    placed = tuning["jump_s"].index(greatest[0]) if greatest else None
    return {
        "jump_count": len(tuning["jump_s"]),
        "jump_s": greatest[0] if greatest else None,
        "jump_from_s": tuning["jump_from_s"][placed] if placed is not None else None,
        "jump_to_s": tuning["jump_to_s"][placed] if placed is not None else None,
        "jump_cents": -greatest[1] if greatest else None,
        "jump_least_cents": tuning["jump_least_cents"],
    }


def _ends(curve: SharpCurve | None, tuning: Row, first: Reading | None, ruled_above: float) -> dict[str, float | None]:
    # the correction at the first and the last steady note, without wow, with its standard error
    names = ("first_cents", "first_se_cents", "last_cents", "last_se_cents")
    if curve is None or first is None or not tuning["note_start_s"]:
        return dict.fromkeys(names)
    starts, lengths = np.asarray(tuning["note_start_s"]), np.asarray(tuning["note_length_s"])
    at = np.array([starts.min(), (starts + lengths).max()])
    cents = first.offset_cents + curve.mean_cents - curve.drift_at(at) + ruled_above
    se = _se_along(curve, at, tuning, first)
    return dict(zip(names, np.column_stack([cents, se]).ravel().tolist(), strict=True))


def _limits(
    settled: SettledSide | None, first: Reading | None, decision: Mapping[str, Any] | None, offset: float
) -> dict[str, float | None]:
    # given the reading, and over all readings; of a ruling its own, or none
    names = ("offset_se_cents", "offset_low_cents", "offset_high_cents")
    pitch = dict.fromkeys(("reference_pitch_low_hz", "reference_pitch_high_hz"))
    if decision is not None:
        se = decision["se_cents"]
        return {**dict(zip(names, _normal_limits(offset, se), strict=True)), **pitch}
    if settled is None or first is None:
        return {**dict.fromkeys(names), **pitch}
    # the offset on the whole is the mean of ratios, a reading's that of cents
    apart = offset - first.offset_cents
    return {
        "offset_se_cents": first.offset_se,
        "offset_low_cents": settled.low_cents + apart,
        "offset_high_cents": settled.high_cents + apart,
        "reference_pitch_low_hz": settled.low_hz,
        "reference_pitch_high_hz": settled.high_hz,
    }


def _normal_limits(value: float, se: float | None) -> tuple[float | None, float | None, float | None]:
    return (None, None, None) if se is None else (se, value - Z_95 * se, value + Z_95 * se)


def listed(readings: tuple[Reading, ...]) -> list[Reading]:
    """The readings worth listing: all that are at all likely, and those 1 and 2 semitones from the first."""
    first = readings[0]
    kept = [reading for reading in readings if reading.probability >= LEAST_PROBABILITY]
    for step in range(-LISTED_SEMITONES, LISTED_SEMITONES + 1):
        like = [r for r in readings if r.shift == first.shift + step and r.turns == first.turns]
        kept += [r for r in like[:1] if r not in kept]
    return sorted(kept, key=lambda reading: -reading.probability)


def _offered(known: Mapping[str, Any], mates: list[dict[str, Any]]) -> Reading | None:
    # the session's speed for a side that says nothing itself: offered as a reading, never applied
    settled = [row for row in mates if row["state"] in ("estimated", "decided") and row["playing_rpm"] is not None]
    turntable = known["turntable_rpm"]
    if not settled or turntable is None or known["already_corrected"] == "yes" or known["copy"]:
        return None
    cents, sd = shared_speed(cents_of_rpm([row["playing_rpm"] for row in settled]))
    offset = cents - float(cents_of_rpm(turntable))
    rpm = playing_rpm(turntable_rpm=turntable, speed_ratio=float(ratio_of_cents(offset)))
    return Reading(
        offset_cents=offset,
        offset_se=sd,
        playing_rpm=rpm,
        reference_pitch_hz=float(settled[0]["reference_pitch_hz"]),
        key="",
        shift=0,
        turns=(),
        probability=1.0 - OUTLIER_SHARE,
        evidence=SessionSpeed(rpm, sd, len(settled)),
    )


def _state(settled: SettledSide | None, odds: float) -> str:
    if settled is None:
        return "unmeasurable"
    return "ambiguous" if settled.ambiguous(odds) else "estimated"


def _rival(settled: SettledSide | None, readings: list[Reading]) -> dict[str, Any]:
    rival = settled.rival() if settled else None
    if rival is None or rival[0] not in readings:
        return {"rival_rank": None, "rival_probability": None}
    return {"rival_rank": readings.index(rival[0]) + 1, "rival_probability": rival[1]}


def _reference(decision: Mapping[str, Any] | None, first: Reading | None, known: Mapping[str, Any]) -> float:
    if decision is not None:
        return float(decision["reference_pitch_hz"])
    return first.reference_pitch_hz if first else pitches_of(known)[0].hz


def _curve_frame(name: str, grid: Floats, correction: Floats, se: Floats) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "transfer_id": pl.Series([name], dtype=pl.String).new_from_index(0, grid.size),
            "transfer_time_s": grid,
            "correction_cents": correction,
            "se_cents": se,
        }
    )


def _alternatives(name: str, readings: list[Reading], counted: bool) -> pl.DataFrame:
    rows = [
        {
            "transfer_id": name,
            "rank": rank,
            "playing_rpm": reading.playing_rpm if counted else None,
            "offset_cents": reading.offset_cents,
            "offset_se_cents": reading.offset_se,
            "reference_pitch_hz": reading.reference_pitch_hz,
            "key": reading.key or None,
            "probability": reading.probability,
            "reason": reason(reading),
        }
        for rank, reading in enumerate(readings, start=1)
    ]
    return pl.DataFrame(rows, schema=_ALTERNATIVE)
