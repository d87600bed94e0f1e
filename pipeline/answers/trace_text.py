"""A trace in words: the thing itself, its speed and its source first; with all, every step's values and hashes."""

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.answers.note_names import Spelling, printed_name, spelling
from pipeline.answers.number_words import (
    approach_words,
    both_clocks,
    doubt_words,
    given_words,
    over_all_words,
    probability_words,
    signed,
    stroke_words,
)
from pipeline.counted import counted
from pipeline.store.database.trace import Row, Trace, TransferTrace
from pipeline.store.parts.where import place_words
from pipeline.store.schema.date_words import date_words

_TOLD_APART = ("take_id", "matrix_number", "take_number")


def lines(found: Trace, *, heard: str = "", everything: bool = False) -> Iterator[str]:
    """The trace as text, from the number back to the disc.

    ``heard`` is what listeners say of a slide; ``everything`` adds all values, settings and hashes.
    """
    if found.kind != "transfer":  # whose own line comes below
        yield f"{found.kind} {found.id}"
    row = found.row
    speed = next((item.speed for item in found.transfers if item.speed), None)
    name_of = spelling(speed["key"] if speed else None)
    if row and found.kind == "slide":
        yield from _slide(row, name_of)
        if heard:
            yield f"  {heard}"
    elif row and found.kind == "note":
        begins, ends = (both_clocks(row[f"{end}_s"], row[f"transfer_{end}_s"]) for end in ("start", "end"))
        yield f"  {name_of(row['midi'])} from {begins} to {ends}"
        if words := approach_words(row):
            yield f"  {words}"
    if found.place:
        title, name = found.place["title"], printed_name(found.place["name"])
        probability = probability_words(found.place["probability"])
        yield f"  written: {place_words(found.place)} of {title} ({found.place['edition']}): {name}, {probability}"
    if row and (everything or found.kind not in ("slide", "note", "transfer")):
        yield from _fields(row)
    for item in found.transfers:
        yield from _told(item)
        yield from _steps(item, everything=everything)
        if everything:
            yield f"all of transfer {item.transfer['transfer_id']}"
            yield from _fields(item.transfer)
            if item.side:
                yield f"all of side {item.side['side_id']}"
                yield from _fields(item.side)
            for take in item.takes:
                yield f"all of take {take['take_id']}"
                yield from _fields({name: value for name, value in take.items() if name not in _TOLD_APART})
    if not everything:
        yield "Every value, setting and hash: --all"


def heard_words(judged: Row | None) -> str:
    """What listeners said of a slide, a row of ``stage.judged_slide``; empty if none has."""
    if judged is None:
        return ""
    counts = "" if judged["is_slide"] else "; it is no slide in what is listed, while rates start from finds"
    return f"by ear: {judged['verdict'].replace('_', ' ')} ({counted(judged['listeners'], 'listener')}){counts}"


def _slide(row: Row, name_of: Spelling) -> Iterator[str]:
    up = "up" if row["interval_cents"] > 0 else "down"
    yield (
        f"  {name_of(row['from_midi'])} to {name_of(row['to_midi'])}, {abs(row['interval_cents']):.0f} cents {up} in "
        f"{row['duration_ms']:.0f} ms, at {both_clocks(row['start_s'], row['transfer_start_s'])}"
    )
    kind = row["kind"]
    yield f"  kind: {kind.replace('_', ' ')}, {probability_words(row[f'p_{kind}'])}; confidence {row['confidence']:.2f}"
    yield f"  {abs(row['glided_cents']):.0f} cents of it glided; bow: {stroke_words(row)}"


def _told(item: TransferTrace) -> Iterator[str]:
    transfer, side, speed = item.transfer, item.side or {}, item.speed
    yield f"transfer {transfer['transfer_id']}, file {transfer['file']}"
    if speed and speed["state"] == "unmeasurable":
        yield "  speed: unmeasurable; the side is taken as it plays"
    elif speed:
        rpm = f", plays at {speed['playing_rpm']:.2f} rpm" if speed["playing_rpm"] else ""
        key = f", {speed['key']}" if speed["key"] else ""
        offset = f"{signed(speed['offset_cents'], 1)} {given_words(speed['offset_se_cents'])} cents"
        yield (f"  speed: {speed['state']}, {offset} (95 %, if A4 = {speed['reference_pitch_hz']:.4g} Hz{key}){rpm}")
        if speed["offset_low_cents"] is not None:
            limits = over_all_words(speed["offset_low_cents"], speed["offset_high_cents"])
            yield f"  over all readings of key, A4 and intonation: {limits} cents (95 %)"
    if item.decision:
        yield f"  ruling on the speed by {item.decision['decided_by']}: {item.decision['reason']}"
    issued = " ".join(str(side[name]) for name in ("label", "issue_number") if side.get(name))
    issued += (", " if issued else "") + f"face {side['face']}" if side.get("face") else ""
    yield f"side {transfer['side_id']}" + (f": {issued}" if issued else "")
    for take in item.takes:
        matrix = take.get("matrix_number") or "not known"
        yield f"take {take['take_id']}: matrix number {matrix}, take {take.get('take_number') or 'not known'}" + (
            f", recorded {date_words(take['recorded'])}" if take.get("recorded") else ""
        )
    for played in item.performances:
        who = item.names.get(played["player_id"], played["player_id"])
        role = "" if played.get("role") in (None, "soloist") else f", {played['role']}"
        instrument = played.get("instrument") or "instrument not known"
        yield f"played by {who} ({instrument}{role}){doubt_words(played.get('certainty'))}"
    for source in item.sources:
        yield f"source {source['source_id']}: {source.get('citation') or source.get('title') or ''}"
    yield f"samples sha256:{item.samples_sha256 or 'not known'}"
    yield f"file sha256:{item.file_sha256 or 'not known'}"


def _steps(item: TransferTrace, *, everything: bool) -> Iterator[str]:
    if item.steps:
        yield "steps, last first:"
    for row in reversed(item.steps):
        yield f"step {row.step}, version {row.step_version}: {row.outcome.replace('_', ' ')}" + (
            f" ({row.message})" if row.message else ""
        )
        if row.unit_id != row.transfer_id:
            alone = row.unit_id.startswith("alone:")
            yield "  settled by its own side, in no session" if alone else f"  settled for session {row.unit_id}"
        if everything:
            yield f"  settings: {_plain(row.settings)}"
            yield f"  catalogue values: {_plain(row.facts)}"
            for name, sha256 in sorted(row.input_hashes.items()):
                yield f"  read {name} sha256:{sha256}"
            for name, sha256 in sorted(row.output_hashes.items()):
                yield f"  wrote {name} sha256:{sha256}"
    if item.steps:
        yield f"libraries: {', '.join(f'{name} {v}' for name, v in sorted(item.steps[0].libraries.items()))}"


def _fields(row: Mapping[str, Any]) -> Iterator[str]:
    for name, value in row.items():
        if value not in (None, "", []):
            yield f"  {name}: {_plain(value)}"


def _plain(value: Any) -> str:
    """A value as people write it."""
    if value is None or value in ([], {}):
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, Mapping):
        parts = [f"{name} ({_plain(v)})" if isinstance(v, Mapping) and v else f"{name} {_plain(v)}"
                 for name, v in sorted(value.items())]  # fmt: skip
        return ", ".join(parts)
    if isinstance(value, list | tuple):
        return ", ".join(f"({_plain(item)})" if isinstance(item, Mapping) else _plain(item) for item in value)
    return str(value)
