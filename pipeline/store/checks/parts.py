"""Cross checks of written parts, and of what a person says of their places."""

import hashlib
from collections.abc import Iterator
from itertools import groupby, pairwise
from typing import Any

from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.catalogue.written import FOLDER, reference
from pipeline.store.checks.findings import Findings, Row
from pipeline.store.parts.part import THE_END


def check_parts(found: Findings) -> None:
    """Adds what is wrong or noteworthy about written parts and decisions on places."""
    catalogue = found.catalogue
    parts = {(row["work_id"], row["edition"]): row for row in catalogue.rows("written_part")}
    last = {key: _notes(found, key, rows, known=key in parts) for key, rows in _by_edition(catalogue, "written_note")}
    for key, part in parts.items():
        if key not in last:
            message = f"has no notes for {part['work_id']}"
            found.error(
                "written_part", part, "edition", message, "read it in by `glideline part add`, or delete the row"
            )
        _file(found, part)
    for _, editions in groupby(catalogue.rows("written_part"), key=lambda row: row["work_id"]):
        marked = [row for row in editions if row["is_reference"]]
        for second in marked[1:]:
            message = f"is a second reference of {second['work_id']}, beside {marked[0]['edition']!r}"
            found.error("written_part", second, "is_reference", message, "leave one of them; it names the places")
    for key, rows in _by_edition(catalogue, "written_way"):
        for row in rows:
            for column in ("from_event", "to_event"):
                beyond = row[column] > last.get(key, THE_END)
                nowhere = column == "to_event" and row[column] == THE_END and row["way"] != "fine"
                if beyond or nowhere:
                    message = f"is no event of {key[1]!r} of {key[0]}, which has {last.get(key, 0)}"
                    found.error("written_way", row, column, message, "give one of its events, or delete the row")
    _decisions(found, last)


def _by_edition(catalogue: Catalogue, table: str) -> Iterator[tuple[tuple[str, str], list[Row]]]:
    for key, rows in groupby(catalogue.rows(table), key=lambda row: (row["work_id"], row["edition"])):
        yield key, list(rows)


def _notes(found: Findings, key: tuple[str, str], notes: list[Row], *, known: bool) -> int:
    """Checks the notes of one edition; gives its last event."""
    if not known:
        message = f"is no edition of {key[0]} in written_part.csv"
        editions = [row["edition"] for row in found.catalogue.rows("written_part", work_id=key[0])]
        cure = did_you_mean(key[1], editions, otherwise="add a row there, or delete its notes")
        found.error("written_note", notes[0], "edition", message, cure)
        return THE_END
    if notes[0]["event"] != 1:
        found.error("written_note", notes[0], "event", "is the first, and not 1", "count events from 1")
    for one, other in pairwise(notes):
        if other["event"] not in (one["event"], one["event"] + 1):
            message = f"does not follow event {one['event']}"
            found.error("written_note", other, "event", message, "count events on without gaps, in the order of notes")
        elif other["event"] == one["event"] and (other["bar"], other["beat"]) != (one["bar"], one["beat"]):
            message = f"stands elsewhere than note {one['note_number']} of the same event"
            found.error(
                "written_note", other, "event", message, "one event is struck together: mend bar, beat or event"
            )
        elif (other["bar_index"] or 0) < (one["bar_index"] or 0):
            message = f"goes back from bar {one['bar_index']}"
            cure = "a part stands as on paper: write a repeat once, and a row in written_way.csv"
            found.error("written_note", other, "bar_index", message, cure)
    return int(max(note["event"] for note in notes))


def _file(found: Findings, part: Row) -> None:
    if not part["file"]:
        return
    folder = (found.catalogue.root / FOLDER).resolve()
    path = folder / str(part["file"])
    if not path.resolve().is_relative_to(folder):
        found.error("written_part", part, "file", f"leads out of {FOLDER}/", "give the name of a file in that folder")
    elif not path.is_file():
        message, cure = f"is not in {FOLDER}/", "put it there, or clear the cell; its notes are used all the same"
        found.remark("written_part", part, "file", message, cure)
    elif part["sha256"] and hashlib.sha256(path.read_bytes()).hexdigest() != part["sha256"]:
        cure = "`glideline part add` with --replace reads it anew"
        found.remark("written_part", part, "file", "has changed since its notes were read", cure)


def _decisions(found: Findings, last: dict[tuple[str, str], int]) -> None:
    catalogue = found.catalogue
    for row in catalogue.rows("place_decision"):
        take: Any = catalogue.row("take", row["take_id"]) or {}
        if take.get("work_id") != row["work_id"]:
            message = f"is not what {row['take_id']} plays, which is {take.get('work_id') or 'not said'}"
            found.error("place_decision", row, "work_id", message, "mend it here, or work_id in take.csv")
            continue
        parts = catalogue.rows("written_part", work_id=row["work_id"])
        edition = row["edition"] or reference(parts)
        if (row["work_id"], edition) not in last:
            message = f"{row['work_id']} has no written part" + (f" {edition!r}" if edition else "")
            cure = did_you_mean(str(edition), [p["edition"] for p in parts], otherwise="add the part first")
            found.error("place_decision", row, "edition", message, cure)
        elif row["event"] is not None and row["event"] > last[row["work_id"], str(edition)]:
            message = f"is no event of {edition!r}, which has {last[row['work_id'], str(edition)]}"
            found.error("place_decision", row, "event", message, "`glideline part show` lists its notes")
