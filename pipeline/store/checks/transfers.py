"""Cross checks of transfers, passages and speed decisions, as far as the catalogue alone can tell."""

from collections import defaultdict
from itertools import pairwise
from typing import Any

from pipeline.store.catalogue.recording import dating, is_one_speed_alone, soloists_of, takes_on
from pipeline.store.catalogue.slugs import unportable
from pipeline.store.checks.findings import Findings, Row, before


def check_transfers(found: Findings) -> None:
    """Adds what is wrong or noteworthy about transfers and what hangs on them."""
    catalogue = found.catalogue
    by_file: dict[str, list[Any]] = defaultdict(list)
    for transfer in catalogue.rows("transfer"):
        _transfer(found, transfer)
        by_file[transfer["file"].casefold()].append(transfer)
    for rows in by_file.values():
        _shared_file(found, rows)
    for take in catalogue.rows("take"):
        _standing(found, take)
    by_transfer: dict[str, list[Any]] = defaultdict(list)
    for passage in catalogue.rows("passage"):
        by_transfer[passage["transfer_id"]].append(passage)
    for transfer_id, passages in by_transfer.items():
        _passages(found, catalogue.row("transfer", transfer_id) or {}, passages)
    for decision in catalogue.rows("speed_decision"):
        _decision(found, decision, catalogue.row("transfer", decision["transfer_id"]) or {})


def _transfer(found: Findings, transfer: Row) -> None:
    catalogue = found.catalogue
    start, end = transfer["file_start_s"], transfer["file_end_s"]
    if start is not None and end is not None and end <= start:
        found.error("transfer", transfer, "file_end_s", f"is not after file_start_s ({start:g})", "exchange the two")
    if transfer["turntable_rpm"] is None and transfer["already_corrected"] != "yes":
        message = "no turntable speed"
        found.remark(
            "transfer", transfer, "turntable_rpm", message, "add it if the archive tells; else speeds in rpm stay empty"
        )
    if reason := unportable(transfer["file"]):
        found.remark("transfer", transfer, "file", reason, "give it another name if the corpus is to be taken there")
    rule, groove = transfer["channel_rule"], transfer["groove"]
    if (groove == "vertical" and rule == "sum") or (groove == "lateral" and rule == "difference"):
        usual = "difference" if groove == "vertical" else "sum"
        message = f"is unusual for a {groove} groove"
        found.remark("transfer", transfer, "channel_rule", message, f"write {usual} unless it is meant")
    side = catalogue.row("side", transfer["side_id"]) or {}
    for row in catalogue.rows("side_take", side_id=transfer["side_id"]):
        dated = dating(catalogue, catalogue.row("take", row["take_id"]) or {})
        if before(transfer, "transferred", dated, "recorded"):
            message = f"is before the recording of {row['take_id']} ({dated['recorded']})"
            found.error("transfer", transfer, "transferred", message, "mend one of the two dates")
    statuses = {transfer["rights_status"], side.get("rights_status")}
    if transfer["visibility"] == "public" and statuses & {"restricted"}:
        message = "although the rights are restricted"
        found.error("transfer", transfer, "visibility", message, "write private, or mend rights_status")
    elif transfer["visibility"] == "public" and not statuses & {"free", "licensed"}:
        message = "although nobody has noted the rights"
        found.remark("transfer", transfer, "visibility", message, "fill in rights_status of the side or transfer")


def _shared_file(found: Findings, rows: list[Any]) -> None:
    spans = sorted(rows, key=lambda r: (r["file_start_s"] or 0.0, r["transfer_id"]))
    for one, two in pairwise(spans):
        end = one["file_end_s"]
        if end is None or end > (two["file_start_s"] or 0.0) + 1e-9:
            message = f"is used by {one['transfer_id']} too, and their spans overlap"
            found.error("transfer", two, "file", message, "give both file_start_s and file_end_s, or mend the path")
    for row in rows:
        if row["file"] != rows[0]["file"]:
            found.error(
                "transfer", row, "file", f"is written {rows[0]['file']} elsewhere", "write it alike in both rows"
            )


def _standing(found: Findings, take: Row) -> None:
    catalogue = found.catalogue
    parts: dict[Any, list[Any]] = defaultdict(list)
    for row in catalogue.rows("side_take", take_id=take["take_id"]):
        parts[row["part"]].extend(catalogue.rows("transfer", side_id=row["side_id"]))
    for part, transfers in parts.items():
        named = take["take_id"] + (f" part {part}" if part else "")
        chosen = [row for row in transfers if row["stands_for_take"]]
        for row in chosen[1:]:
            message = f"stands for {named}, and so does {chosen[0]['transfer_id']}"
            found.error("transfer", row, "stands_for_take", message, "write yes at one of them only")
        if transfers and all(row["stands_for_take"] is False for row in transfers):
            message = f"no transfer of {named} may stand for it"
            found.remark("transfer", transfers[0], "stands_for_take", message, "the take is left out of all counts")


def _passages(found: Findings, transfer: Row, passages: list[Any]) -> None:
    catalogue = found.catalogue
    takes = [take["take_id"] for take in takes_on(catalogue, transfer["side_id"])]
    begins, ends = transfer["file_start_s"], transfer["file_end_s"]
    passages = sorted(passages, key=lambda row: (row["from_s"], row["to_s"]))
    for row in passages:
        if row["to_s"] <= row["from_s"]:
            found.error("passage", row, "to_s", f"is not after from_s ({row['from_s']:g})", "exchange the two")
        if (begins is not None and row["from_s"] < begins - 1e-9) or (ends is not None and row["to_s"] > ends + 1e-9):
            message = f"reaches out of the side's span in the file ({begins or 0:g} to {ends or 'the end'} s)"
            found.error("passage", row, "from_s", message, "passages count seconds of the file, not of the side")
        if row["take_id"] and row["take_id"] not in takes:
            message = f"is not on side {transfer['side_id']}, which carries {', '.join(takes) or 'no take'}"
            found.error("passage", row, "take_id", message, "mend it, or add a row to side_take.csv")
        if row["content"] == "solo" and not row["take_id"] and len(takes) != 1:
            message = f"is empty, and the side carries {len(takes)} takes"
            found.error("passage", row, "take_id", message, "say which take is heard")
        take_id = row["take_id"] or (takes[0] if len(takes) == 1 else None)
        playing = [p["player_id"] for p in catalogue.rows("performance", take_id=take_id)] if take_id else []
        if row["player_id"] and take_id and row["player_id"] not in playing:
            message = f"does not play on {take_id} by performance.csv"
            found.error("passage", row, "player_id", message, "mend it, or add a row to performance.csv")
        soloists = soloists_of(catalogue, take_id) if take_id else []
        if row["content"] == "solo" and not row["player_id"] and len(soloists) > 1:
            message = f"is empty, and {take_id} has {len(soloists)} soloists"
            found.error("passage", row, "player_id", message, "say who plays the solo line")
    for one, two in pairwise(passages):
        if two["from_s"] < one["to_s"] - 1e-9:
            message = f"begins before the passage from {one['from_s']:g} to {one['to_s']:g} s ends"
            found.error("passage", two, "from_s", message, "passages of one transfer must not overlap")


def _decision(found: Findings, decision: Row, transfer: Row) -> None:
    rpm, cents = decision["playing_rpm"], decision["correction_cents"]
    alone = is_one_speed_alone(decision)
    if rpm is None and cents is None and not alone:
        message = "says neither playing_rpm nor correction_cents"
        found.error("speed_decision", decision, "playing_rpm", message, "give one of them, or delete the row")
    if rpm is not None and cents is not None:
        message = "stands beside correction_cents"
        found.error(
            "speed_decision", decision, "playing_rpm", message, "give one of them only: they may contradict each other"
        )
    if rpm is not None and cents is None and transfer["turntable_rpm"] is None:
        message = "cannot be used without the turntable's speed"
        found.error(
            "speed_decision", decision, "playing_rpm", message, "add turntable_rpm in transfer.csv, or give cents"
        )
    if rpm is not None and transfer["already_corrected"] == "yes":
        message = "is given for a file that was corrected already"
        found.error(
            "speed_decision", decision, "playing_rpm", message, "give correction_cents, what is left to correct"
        )
    if decision["reference_pitch_hz"] is None and not alone:
        message = "no reference pitch"
        found.remark(
            "speed_decision", decision, "reference_pitch_hz", message, "add it: a ruling without one is not applied"
        )
