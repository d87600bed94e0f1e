"""What the catalogue says that bears on the speed of a transfer, as plain values."""

import datetime
from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.steps.scopes import session_transfers
from pipeline.store.catalogue.recording import Row, dating, takes_on

# Prior probabilities of the pitches in use where the catalogue states none: 435 Hz is the French diapason
# normal of 1859, taken over at Vienna in 1885, 452 Hz about the old Philharmonic pitch of British bands.
ASSUMED = ((440.0, 0.75, "assumed"), (435.0, 0.17, "if the diapason normal"), (452.0, 0.08, "if old high pitch"))
USUAL_SHARE = 0.85
COPIES = ("dub", "tape_copy", "remaster")


def facts(catalogue: Any, unit_id: str) -> Mapping[str, Any]:
    """For each transfer of the session: what the catalogue says that bears on its speed."""
    return {name: transfer_facts(catalogue, name) for name in session_transfers(catalogue, unit_id)}


def transfer_facts(catalogue: Any, transfer_id: str) -> dict[str, Any]:
    """The values for one transfer, as JSON values."""
    transfer = catalogue.row("transfer", transfer_id)
    side = catalogue.row("side", transfer["side_id"]) or {}
    takes = takes_on(catalogue, transfer["side_id"])
    sessions = [row for row in (catalogue.row("session", t["session_id"] or "") for t in takes) if row]
    processes = {take["process"] for take in takes if take["process"] in ("acoustic", "electrical")}
    span = _span([dating(catalogue, take) for take in takes])
    labels = {label for label in (side.get("label"), *(s["label"] for s in sessions)) if label}
    return {
        "turntable_rpm": transfer["turntable_rpm"],
        "already_corrected": transfer["already_corrected"],
        "copy": transfer["generation"] in COPIES,
        "process": processes.pop() if len(processes) == 1 else None,
        **_key(catalogue, takes),
        "references": _references(catalogue, takes, sessions, span),
        "labels": _labels(catalogue, labels, span),
        "decision": _decision(catalogue, transfer_id),
    }


def _key(catalogue: Any, takes: list[Row]) -> dict[str, Any]:
    played = {take["key_played"] for take in takes if take["key_played"]}
    works = [catalogue.row("work", take["work_id"]) for take in takes if take["work_id"]]
    keys = played or {work["key"] for work in works if work and work["key"]}
    performances = [row for take in takes for row in catalogue.rows("performance", take_id=take["take_id"])]
    transposed = not played and any(row["transposed"] in ("yes", "unknown") for row in performances)
    if len(keys) != 1:
        return {"key": None, "key_remark": "several keys on this side" if keys else ""}
    if transposed:
        return {"key": None, "key_remark": "perhaps transposed: the work's key is not used"}
    return {"key": keys.pop(), "key_remark": ""}


def _span(dated: list[Row]) -> tuple[Any, Any]:
    known = [row for row in dated if row["recorded"]]
    earliest = [row["recorded_earliest"] for row in known]
    latest = [row["recorded_latest"] for row in known]
    first = min(earliest) if earliest and None not in earliest else None
    last = max(latest) if latest and None not in latest else None
    return first, last


def _meets(row: Mapping[str, Any], span: tuple[datetime.date | None, datetime.date | None]) -> bool:
    first, last = span
    begins, ends = row["span_earliest"], row["span_latest"]
    return not (begins and last and last < begins) and not (ends and first and first > ends)


def _references(catalogue: Any, takes: list[Row], sessions: list[Row], span: tuple[Any, Any]) -> list[list[Any]]:
    stated = {row["reference_pitch_hz"] for take in takes for row in _pitches(catalogue, take)}
    if stated:
        return [[hz, 1.0 / len(stated), "as the take's reference pitch"] for hz in sorted(stated)]
    places = {row["place"].casefold() for row in (*takes, *sessions) if row["place"]}
    rows = [row for row in catalogue.frame("default_pitch").iter_rows(named=True) if _meets(row, span)]
    here = [row for row in rows if row["place"].casefold() in places] or [r for r in rows if r["place"] == "*"]
    usual = sorted({row["reference_pitch_hz"] for row in here})
    if not usual:
        return [list(row) for row in ASSUMED]
    found = [[hz, USUAL_SHARE / len(usual), "usual at the place"] for hz in usual]
    others = [row for row in ASSUMED if all(abs(row[0] / hz - 1.0) > 0.003 for hz in usual)]
    total = sum(row[1] for row in others)
    return found + [[hz, (1.0 - USUAL_SHARE) * share / total, origin] for hz, share, origin in others]


def _pitches(catalogue: Any, take: Mapping[str, Any]) -> list[dict[str, Any]]:
    return list(catalogue.rows("reference_pitch", take_id=take["take_id"]))


def _labels(catalogue: Any, labels: set[str], span: tuple[Any, Any]) -> list[list[Any]]:
    names = {label.casefold() for label in labels}
    frame: pl.DataFrame = catalogue.frame("label_speed")
    return [
        [row["low_rpm"], row["high_rpm"], row["source_id"]]
        for row in frame.iter_rows(named=True)
        if row["label"].casefold() in names and _meets(row, span)
    ]


def _decision(catalogue: Any, transfer_id: str) -> dict[str, Any] | None:
    row = catalogue.row("speed_decision", transfer_id)
    if row is None:
        return None
    texts = ("key", "reason", "decided_by", "samples_sha256")
    names = ("playing_rpm", "correction_cents", "reference_pitch_hz", *texts)
    return {**{name: row[name] for name in names}, "decided_on": row["decided_on"].isoformat()}
