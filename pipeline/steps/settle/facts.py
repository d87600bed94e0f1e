"""What the catalogue says that bears on the speed of a transfer, as plain values."""

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from pipeline.signal.speed.reference_pitch import ASSUMED, ReferencePitch, assumed, region_of
from pipeline.steps.board import open_strings
from pipeline.steps.scopes import session_transfers
from pipeline.store.catalogue.recording import Row, dating, soloists_of, takes_on
from pipeline.store.catalogue.tables import Catalogue
from pipeline.units import CENTS_PER_NEPER, a4_of_fork

# How far a pitch that is stated without any limits may be off, in cents: a take's own by half a hertz, a place's usual
# one by a hertz and a half (common practice, no source).
STATED_SD_CENTS, USUAL_SD_CENTS = 2.0, 6.0
USUAL_SHARE = 0.85
# The probability that a piece is in its printed key where nobody says whether it was transposed.
PERHAPS_TRANSPOSED = 0.5
COPIES = ("dub", "tape_copy", "remaster")


def facts(catalogue: Catalogue, unit_id: str) -> Mapping[str, Any]:
    """For each transfer of the session: what the catalogue says that bears on its speed."""
    return {name: transfer_facts(catalogue, name) for name in session_transfers(catalogue, unit_id)}


def transfer_facts(catalogue: Catalogue, transfer_id: str) -> dict[str, Any]:
    """The values for one transfer, as JSON values."""
    transfer = catalogue.one("transfer", transfer_id)
    side = catalogue.row("side", transfer["side_id"]) or {}
    takes = takes_on(catalogue, transfer["side_id"])
    sessions = [row for row in (catalogue.row("session", t["session_id"] or "") for t in takes) if row]
    processes = {take["process"] for take in takes if take["process"] in ("acoustic", "electrical")}
    span = _span([dating(catalogue, take) for take in takes])
    labels = {label for label in (side.get("label"), *(s["label"] for s in sessions)) if label}
    return {
        "side": transfer["side_id"],
        "turntable_rpm": transfer["turntable_rpm"],
        "already_corrected": transfer["already_corrected"],
        "copy": transfer["generation"] in COPIES,
        "process": processes.pop() if len(processes) == 1 else None,
        **_key(catalogue, takes),
        "open_strings": _open_strings(catalogue, takes),
        "references": _references(catalogue, takes, sessions, span),
        "labels": _labels(catalogue, labels, span),
        "decision": _decision(catalogue, transfer_id),
    }


def _key(catalogue: Catalogue, takes: Sequence[Row]) -> dict[str, Any]:
    played = {take["key_played"] for take in takes if take["key_played"]}
    works = [catalogue.row("work", take["work_id"]) for take in takes if take["work_id"]]
    keys = played or {work["key"] for work in works if work and work["key"]}
    performances = [row for take in takes for row in catalogue.rows("performance", take_id=take["take_id"])]
    transposed = {row["transposed"] for row in performances} & {"yes", "unknown"} if not played else set()
    if len(keys) != 1:
        return {"key": None, "key_share": 1.0, "key_remark": "several keys on this side" if keys else ""}
    key = keys.pop()
    if "yes" in transposed:
        return {"key": key, "key_share": 0.0, "key_remark": f"transposed from {key}, as the catalogue says"}
    if transposed:
        return {"key": key, "key_share": PERHAPS_TRANSPOSED, "key_remark": f"perhaps transposed from {key}"}
    return {"key": key, "key_share": 1.0, "key_remark": ""}


def _open_strings(catalogue: Catalogue, takes: Sequence[Row]) -> list[float] | None:
    # None: the usual ones
    found = {row["tuning"] for take in takes for row in soloists_of(catalogue, take["take_id"])}
    tuning = found.pop() if len(found) == 1 else None
    return list(open_strings(tuning)) if tuning else None


def _span(dated: Sequence[Row]) -> tuple[Any, Any]:
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


def _references(
    catalogue: Catalogue, takes: Sequence[Row], sessions: Sequence[Row], span: tuple[Any, Any]
) -> dict[str, dict[str, Any]]:
    own = {
        stated_pitch(row, STATED_SD_CENTS)
        for take in takes
        for row in catalogue.rows("reference_pitch", take_id=take["take_id"])
    }
    if own:
        return as_facts(ReferencePitch(hz, sd, 1.0 / len(own), "as the take's reference pitch", True) for hz, sd in own)
    places = {row["place"].casefold() for row in (*takes, *sessions) if row["place"]}
    rows = [row for row in catalogue.rows("default_pitch") if _meets(row, span)]
    here = [row for row in rows if row["place"].casefold() in places] or [r for r in rows if r["place"] == "*"]
    usual = {stated_pitch(row, USUAL_SD_CENTS) for row in here}
    otherwise = assumed(region_of(" ".join(sorted(places))), _middle_year(span))
    if not usual:
        return as_facts(otherwise)
    found = [ReferencePitch(hz, sd, USUAL_SHARE / len(usual), "usual at the place", True) for hz, sd in usual]
    # a pitch that is only assumed says nothing new beside one that is usual here
    others = [row for row in otherwise if all(abs(row.hz / hz - 1.0) > 0.003 for hz, _ in usual)]
    total = sum(row.probability for row in others)
    for row in others:
        origin = "if not the usual one" if row.origin == ASSUMED else row.origin
        found.append(replace(row, probability=(1.0 - USUAL_SHARE) * row.probability / total, origin=origin))
    return as_facts(found)


def as_facts(pitches: Iterable[ReferencePitch]) -> dict[str, dict[str, Any]]:
    """Reference pitches as JSON values by origin, in words; of several with one origin each says its own."""
    found = list(pitches)
    several = len({pitch.origin for pitch in found}) < len(found)
    return {
        f"{pitch.origin} ({pitch.hz:g} Hz)" if several else pitch.origin: {
            "hz": pitch.hz,
            "sd_cents": pitch.sd_cents,
            "probability": pitch.probability,
            "stated": pitch.stated,
        }
        for pitch in found
    }


def pitches_of(known: Mapping[str, Any]) -> tuple[ReferencePitch, ...]:
    """The reference pitches of a transfer's facts, likeliest first."""
    found = [ReferencePitch(origin=origin, **row) for origin, row in known["references"].items()]
    return tuple(sorted(found, key=lambda pitch: (-pitch.probability, pitch.hz)))


def stated_pitch(row: Mapping[str, Any], usual_sd: float) -> tuple[float, float]:
    """A4 in Hz and its standard deviation in cents, from a row of ``reference_pitch`` or ``default_pitch``.

    A range without a standard error counts as a rectangular distribution (JCGM 100:2008, 4.3.7), one with neither as
    off by ``usual_sd``.
    """
    stated = row["reference_pitch_hz"]
    sd_hz = row["se_hz"]
    if sd_hz is None and row["low_hz"] is not None and row["high_hz"] is not None:
        sd_hz = (row["high_hz"] - row["low_hz"]) / 12.0**0.5
    return a4_of_fork(stated, row["fork"]), usual_sd if sd_hz is None else CENTS_PER_NEPER * sd_hz / stated


def _middle_year(span: tuple[Any, Any]) -> int | None:
    years = [day.year for day in span if day is not None]
    return sum(years) // len(years) if years else None


def _labels(catalogue: Catalogue, labels: set[str], span: tuple[Any, Any]) -> list[list[Any]]:
    names = {label.casefold() for label in labels}
    return [
        [row["low_rpm"], row["high_rpm"], row["source_id"]]
        for row in catalogue.rows("label_speed")
        if row["label"].casefold() in names and _meets(row, span)
    ]


def _decision(catalogue: Catalogue, transfer_id: str) -> dict[str, Any] | None:
    row = catalogue.row("speed_decision", transfer_id)
    if row is None:
        return None
    texts = ("one_speed", "key", "reason", "decided_by", "samples_sha256")
    names = ("playing_rpm", "correction_cents", "se_cents", "reference_pitch_hz", *texts)
    return {**{name: row[name] for name in names}, "decided_on": row["decided_on"].isoformat()}
