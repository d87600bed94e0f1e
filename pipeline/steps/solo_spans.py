"""Which spans of a transfer are whose solo: passages of the catalogue first, else the whole file as one take."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

BOWED = ("violin", "viola", "cello")
OTHER_LINE = {"voice": "a voice", "second_string": "a second string player", "ensemble": "an ensemble"}
OTHER_LINE["orchestra"] = "an orchestra"


@dataclass(frozen=True)
class SoloSpan:
    """A span in transfer seconds; ``counted`` if its slides and minutes enter rates."""

    start_s: float
    end_s: float
    take_id: str | None
    player_id: str | None
    content: str
    source: str
    counted: bool
    reason: str | None


def solo_facts(catalogue: Any, transfer_id: str) -> dict[str, Any]:
    """What the catalogue says about who plays when on a transfer, as JSON values."""
    transfer = catalogue.row("transfer", transfer_id)
    side_takes = [r for r in _rows(catalogue, "side_take") if r["side_id"] == transfer["side_id"]]
    side_takes.sort(key=lambda r: (r.get("position") is None, r.get("position") or 0, r["take_id"]))
    takes = []
    for row in side_takes:
        take = catalogue.row("take", row["take_id"]) or {}
        soloists = sorted(
            (r["instrument"] or "", r["player_id"])
            for r in _rows(catalogue, "performance")
            if r["take_id"] == row["take_id"]
            and r.get("role") in (None, "soloist")
            and r.get("instrument") in (None, *BOWED)
        )
        takes.append(
            {
                "take_id": row["take_id"],
                "accompaniment": take.get("accompaniment"),
                "soloists": [{"instrument": i or None, "player_id": p} for i, p in soloists],
            }
        )
    passages = [
        {k: r[k] for k in ("from_s", "to_s", "take_id", "player_id", "content")}
        for r in _rows(catalogue, "passage")
        if r["transfer_id"] == transfer_id
    ]
    return {
        "file_start_s": transfer.get("file_start_s") or 0.0,
        "takes": takes,
        "passages": sorted(passages, key=lambda p: (p["from_s"], p["to_s"])),
    }


def _rows(catalogue: Any, table: str) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = catalogue.frame(table).to_dicts()
    return rows


def instrument(facts: Mapping[str, Any]) -> str | None:
    """The solo instrument, if all takes name the same one."""
    named = {s["instrument"] for take in facts["takes"] for s in take["soloists"]} - {None}
    return named.pop() if len(named) == 1 else None


def solo_spans(facts: Mapping[str, Any], *, length_s: float) -> list[SoloSpan]:
    """Spans of a transfer of ``length_s`` seconds, in time order, not overlapping."""
    takes = facts["takes"]
    if not facts["passages"]:
        return [_whole(takes, length_s)]
    by_id = {take["take_id"]: take for take in takes}
    spans: list[SoloSpan] = []
    last = 0.0
    for passage in facts["passages"]:
        start = max(passage["from_s"] - facts["file_start_s"], last)
        end = min(passage["to_s"] - facts["file_start_s"], length_s)
        if end <= start:
            continue
        last = end
        take_id = passage["take_id"] or (takes[0]["take_id"] if len(takes) == 1 else None)
        player_id = passage["player_id"] or _only_player(by_id.get(take_id))
        solo = passage["content"] == "solo"
        reason: str | None = None if solo else f"marked {passage['content']} in the catalogue"
        if solo and take_id is None:
            reason = "the passage names no take, and the side carries several"
        spans.append(SoloSpan(start, end, take_id, player_id, passage["content"], "catalogue", reason is None, reason))
    return spans


def _whole(takes: Sequence[Mapping[str, Any]], length_s: float) -> SoloSpan:
    if len(takes) != 1:
        why = "the side carries several takes" if takes else "the side names no take"
        return SoloSpan(0.0, length_s, None, None, "solo", "default", False, why + "; add passages")
    take = takes[0]
    other = OTHER_LINE.get(take["accompaniment"] or "")
    if other is None and len(take["soloists"]) > 1:
        other = "more than one soloist"
    reason = f"cannot tell whose slides: {other} plays too; add passages" if other else None
    player_id = _only_player(take)
    return SoloSpan(0.0, length_s, take["take_id"], player_id, "solo", "default", reason is None, reason)


def _only_player(take: Mapping[str, Any] | None) -> str | None:
    players = {s["player_id"] for s in take["soloists"]} if take else set()
    return players.pop() if len(players) == 1 else None
