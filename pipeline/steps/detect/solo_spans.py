"""Which spans of a transfer are whose solo.

Passages of the catalogue come first; without any, the whole file is one take, and what is measured as solo in it
counts. A person's word is not overruled by measurement, but where the solo cannot be followed its slides cannot be
counted either, so such spans leave the exposure in both cases.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from pipeline.steps.heard import NOT_COUNTED, Heard
from pipeline.store.catalogue.recording import OTHER_LINES, bowed_beside, soloists_of, takes_on
from pipeline.store.catalogue.tables import Catalogue

MARGIN_S = 0.25
"""Measured solos are wider by this much: the measurement is no finer."""
REPEATED = "the stylus plays the same groove again"
RINGING = "only a string that was bowed before rings on"
EVIDENCE = ("sureness", "resting_share", "slope_cents_per_s", "in_tune", "early_share")
"""What a measured content rests on, see ``pipeline.signal.line.solo_parts.SoloSpan``."""


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


@lru_cache(maxsize=1)  # each step of a transfer asks in turn
def solo_facts(catalogue: Catalogue, transfer_id: str) -> Mapping[str, Any]:
    """What the catalogue says about who plays when on a transfer, as JSON values."""
    transfer = catalogue.one("transfer", transfer_id)
    takes = [_take_facts(catalogue, take) for take in takes_on(catalogue, transfer["side_id"])]
    passages = [
        {k: r[k] for k in ("from_s", "to_s", "take_id", "player_id", "content")}
        for r in catalogue.rows("passage", transfer_id=transfer_id)
    ]
    return {
        "file_start_s": transfer.get("file_start_s") or 0.0,
        "takes": takes,
        "passages": sorted(passages, key=lambda p: (p["from_s"], p["to_s"])),
    }


def _take_facts(catalogue: Catalogue, take: Mapping[str, Any]) -> dict[str, Any]:
    soloists = soloists_of(catalogue, take["take_id"])
    facts = {
        "take_id": take["take_id"],
        "accompaniment": take["accompaniment"],
        "bowed_beside": bowed_beside(catalogue, take),
        "soloists": [{"instrument": row["instrument"], "player_id": row["player_id"]} for row in soloists],
    }
    either = len(soloists) > 1 and all(row["certainty"] == "possible" for row in soloists)
    return facts | ({"either": True} if either else {})


def instrument(facts: Mapping[str, Any]) -> str | None:
    """The solo instrument, if all takes name the same one."""
    named = {s["instrument"] for take in facts["takes"] for s in take["soloists"]} - {None}
    return named.pop() if len(named) == 1 else None


def second_player(facts: Mapping[str, Any]) -> dict[str, Any] | None:
    """The bowed players beside the soloist on a transfer, if there are any: how many, their instrument, if all play the
    same, and where passages say that the solo is heard, in transfer seconds. None where passages give it to several."""
    number = max((len(take["bowed_beside"]) for take in facts["takes"]), default=0)
    beside = {name for take in facts["takes"] for name in take["bowed_beside"]}
    solos = [p for p in facts["passages"] if p["content"] == "solo"]
    if not beside or len({p["player_id"] for p in solos} - {None}) > 1:
        return None
    start_s = facts["file_start_s"]
    return {
        "number": number,
        "instrument": beside.pop() if len(beside) == 1 else None,
        "said": [[p["from_s"] - start_s, p["to_s"] - start_s] for p in solos],
    }


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
    other = None if take["bowed_beside"] else OTHER_LINES.get(take["accompaniment"] or "")
    reason = f"cannot tell whose slides: {other} plays too; add passages" if other else None
    if other and take["accompaniment"] == "ensemble":
        reason = f"cannot tell whose slides: {other} plays too; name its bowed players, or add passages"
    if len(take["soloists"]) > 1:
        number = len(take["soloists"])
        reason = f"cannot tell whose slides: {number} soloists play at once; add passages"
        if take.get("either"):
            reason = f"cannot tell whose slides: {number} players are named, each only possible; name the likeliest"
    player_id = _only_player(take)
    return SoloSpan(0.0, length_s, take["take_id"], player_id, "solo", "default", reason is None, reason)


def _only_player(take: Mapping[str, Any] | None) -> str | None:
    players = {s["player_id"] for s in take["soloists"]} if take else set()
    return players.pop() if len(players) == 1 else None


def with_measured(spans: Sequence[SoloSpan], measured: Sequence[Heard]) -> list[SoloSpan]:
    """Solo spans cut where measurement says otherwise: all contents without passages, else what cannot be told.

    What the catalogue alone refuses keeps its reason: two players at once are no speech, whatever they sound like.
    """
    cuts = _widened_solo(measured)
    done: list[SoloSpan] = []
    for span in spans:
        if span.content != "solo" or not span.counted:
            done.append(span)
            continue
        for start, end, content in cuts:
            low, high = max(start, span.start_s), min(end, span.end_s)
            if high <= low:
                continue
            obeyed = content == "cannot_tell" or (span.source == "default" and content != "solo")
            part = replace(span, start_s=low, end_s=high)
            if obeyed:
                part = replace(part, content=content, source="measured", counted=False, reason=NOT_COUNTED[content])
            if done and done[-1].end_s == low and replace(done[-1], start_s=low, end_s=high) == part:
                part = replace(part, start_s=done.pop().start_s)
            done.append(part)
    return done


def _widened_solo(measured: Sequence[Heard]) -> list[tuple[float, float, str]]:
    """Spans with the solos widened at the cost of their neighbours, which may vanish."""
    cuts: list[tuple[float, float, str]] = []
    for i, span in enumerate(measured):
        start, end = span.start_s, span.end_s
        if span.content == "solo":
            start -= MARGIN_S if i else 0.0
            end += MARGIN_S if i + 1 < len(measured) else 0.0
        else:
            start += MARGIN_S if i and measured[i - 1].content == "solo" else 0.0
            end -= MARGIN_S if i + 1 < len(measured) and measured[i + 1].content == "solo" else 0.0
        start = max(start, cuts[-1][1]) if cuts else start
        if end > start:
            cuts.append((start, end, span.content))
    return cuts


def without_repeats(spans: Sequence[SoloSpan], repeats: Sequence[tuple[float, float]]) -> list[SoloSpan]:
    """The spans without what the stylus played again (start and end, in time order); a person's word or not."""
    done: list[SoloSpan] = []
    for span in spans:
        at = span.start_s
        for start, end in repeats:
            low, high = max(start, at), min(end, span.end_s)
            if span.content != "solo" or high <= low:
                continue
            if low > at:
                done.append(replace(span, start_s=at, end_s=low))
            again = replace(span, start_s=low, end_s=high, content="repeated", source="measured", counted=False)
            done.append(replace(again, reason=REPEATED))
            at = high
        if span.end_s > at:
            done.append(replace(span, start_s=at))
    return done


def not_counted(spans: Sequence[SoloSpan], parts: Sequence[tuple[float, float]], *, reason: str) -> list[SoloSpan]:
    """The spans with parts of the solo (start and end, in time order) set off, and not counted."""
    done: list[SoloSpan] = []
    for span in spans:
        at = span.start_s
        for start, end in parts if span.counted else ():
            low, high = max(start, at), min(end, span.end_s)
            if high <= low:
                continue
            if low > at:
                done.append(replace(span, start_s=at, end_s=low))
            done.append(replace(span, start_s=low, end_s=high, source="measured", counted=False, reason=reason))
            at = high
        if span.end_s > at:
            done.append(replace(span, start_s=at))
    return done


def evidence_in(measured: Sequence[Heard], start_s: float, end_s: float) -> dict[str, float | None]:
    """What was measured between two moments: means over the measured spans, by their shares of the time."""
    shares = [max(0.0, min(end_s, span.end_s) - max(start_s, span.start_s)) for span in measured]
    total = sum(shares)
    if total <= 0.0:
        return dict.fromkeys(EVIDENCE)
    return {
        name: sum(share * getattr(span, name) for share, span in zip(shares, measured, strict=True)) / total
        for name in EVIDENCE
    }
