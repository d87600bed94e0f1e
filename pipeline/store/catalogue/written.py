"""Rules of written parts in the catalogue: which edition names the places, and parts of older catalogues taken over."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import groupby
from typing import Any

import polars as pl

from pipeline.store.parts.part import WrittenNote, WrittenPart, folded
from pipeline.store.parts.pitch import signature_of
from pipeline.store.parts.table import bar_indices
from pipeline.store.schema import load

Row = dict[str, Any]
FOLDER = "catalogue/parts"
"""Where the files of written parts are kept, below the corpus."""
TABLES = ("written_part", "written_note", "written_way", "place_decision")
NOTE_COLUMNS = (
    *("event", "bar_index", "bar", "beat", "beats", "onset", "midi", "name", "grace"),
    *("string", "finger", "position", "slide_marked", "slurred_to_next", "signature"),
)


def reference(parts: Iterable[Mapping[str, Any]]) -> str | None:
    """The edition by which places of a work are named: the one marked, else the first by name; None without parts."""
    ranked = sorted(parts, key=lambda row: (not row["is_reference"], row["edition"]))
    return str(ranked[0]["edition"]) if ranked else None


def counted_like(part: WrittenPart, notes: Iterable[Mapping[str, Any]]) -> WrittenPart:
    """A part with its bars counted as those of the reference, whose notes are given: by the numbers printed over them.

    So an edition of some bars only lies where they are. Left as it is if the reference has not each of its bars once.
    """
    counts: dict[str | None, set[int]] = {}
    for row in notes:
        counts.setdefault(row["bar"], set()).add(row["bar_index"])
    if any(note.bar is None or len(counts.get(note.bar, ())) != 1 for note in part.notes):
        return part
    indices = [min(counts[note.bar]) for note in part.notes]
    if indices != sorted(indices):
        return part
    return replace(part, notes=tuple(replace(n, bar_index=i) for n, i in zip(part.notes, indices, strict=True)))


def written_rows(part: WrittenPart, *, work_id: str, edition: str) -> dict[str, list[Row]]:
    """Rows of ``written_note``, ``written_way`` and ``place_decision`` of a part."""
    own: Row = {"work_id": work_id, "edition": edition}
    notes, decisions = [], []
    for number, note in enumerate(part.notes, start=1):
        notes.append(own | {"note_number": number} | {name: getattr(note, name) for name in NOTE_COLUMNS})
        if note.time_s is not None:
            decisions.append(own | {"take_id": note.take_id, "time_s": note.time_s, "event": note.event})
    ways = [
        own
        | {"from_event": way.from_event, "to_event": way.to_event, "way": way.way}
        | {"times": way.times if way.times > 1 else None}
        for way in part.ways
    ]
    return {"written_note": notes, "written_way": ways, "place_decision": decisions}


def taken_over(frames: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The tables of written parts with what an older catalogue keeps in ``printed_fingering``.

    An edition that stands in ``written_part`` is not taken over again. Rows of version 0.1 are in the order played,
    with repeats written out; here they are folded (``parts.part.folded``).
    """
    kept = set(frames["written_part"].select("work_id", "edition").iter_rows())
    keys = dict(frames["work"].select("work_id", "key").iter_rows())
    new: dict[str, list[Row]] = {name: [] for name in TABLES}
    ordered = frames["printed_fingering"].sort("work_id", "edition", "note_number").to_dicts()
    for (work_id, edition), group in groupby(ordered, key=lambda row: (row["work_id"], row["edition"])):
        if (work_id, edition) in kept:
            continue
        rows = list(group)
        part = _part_of(rows, signature_of(keys.get(work_id)))
        named_by = reference(frames["written_part"].filter(work_id=work_id).iter_rows(named=True))
        if named_by is not None:
            notes = frames["written_note"].filter(work_id=work_id, edition=named_by)
            part = counted_like(part, notes.iter_rows(named=True))
        new["written_part"].append(
            {"work_id": work_id, "edition": edition, "source_id": rows[0]["source_id"]}
            | dict(zip(("from_bar", "to_bar"), bars_of(part), strict=True))
        )
        for name, made in written_rows(part, work_id=work_id, edition=edition).items():
            new[name] += made
    return {name: _with(name, frames[name], rows) for name, rows in new.items()}


def bars_of(part: WrittenPart) -> tuple[str | None, str | None]:
    """First and last bar of a part, as printed."""
    bars = [note.bar for note in part.notes if note.bar is not None]
    return (bars[0], bars[-1]) if bars else (None, None)


def highest(notes: Iterable[Row]) -> list[Row]:
    """Of each event of an edition the highest of its rows of ``written_note``, in order: the line that is followed."""
    top = {row["event"]: row for row in sorted(notes, key=lambda row: float(row["midi"]))}
    return [top[event] for event in sorted(top)]


def _part_of(rows: list[Row], signature: int | None) -> WrittenPart:
    indices = bar_indices([row["bar"] for row in rows], wheres=[""] * len(rows))
    marks = ("beat", "midi", "string", "finger", "position", "take_id", "time_s")
    notes = [
        WrittenNote(
            **{name: row[name] for name in marks},
            bar_index=index,
            signature=signature,
            bar=None if row["bar"] is None else str(row["bar"]),
            slide_marked=bool(row["slide_marked"]),
            slurred_to_next=bool(row["slurred_to_next"]),
        )
        for row, index in zip(rows, indices, strict=True)
    ]
    return folded(notes)


def _with(name: str, frame: pl.DataFrame, rows: list[Row]) -> pl.DataFrame:
    if not rows:
        return frame
    columns = load(name).polars_schema()
    made = pl.DataFrame([[row.get(c) for c in columns.names()] for row in rows], schema=columns, orient="row")
    return pl.concat([frame, made]).unique(load(name).key, keep="first", maintain_order=True).sort(load(name).key)
