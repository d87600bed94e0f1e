"""Where in the written music each found note of a transfer stands: bar and beat."""

from typing import Any

import polars as pl

from pipeline.store.catalogue.written import reference
from pipeline.store.corpus import Corpus

Row = dict[str, Any]


def written_places(corpus: Corpus, transfer_id: str, *, edition: str | None = None) -> dict[str, Row]:
    """The written event of each found note that is one, by the note's id; empty where nothing was placed.

    The rows hold work_id, edition, event, bar, beat, name and probability. ``edition``: the reference of each work if
    None.
    """
    placed = corpus.read("written_match", transfer_id)
    if placed is None or placed.is_empty():
        return {}
    found: dict[str, Row] = {}
    struck = placed.filter(pl.col("state") == "struck")
    for (work_id,), rows in struck.group_by("work_id", maintain_order=True):
        chosen = edition or reference(corpus.catalogue.rows("written_part", work_id=work_id))
        own = {"work_id": work_id, "edition": chosen}
        notes = {row["event"]: row for row in corpus.catalogue.rows("written_note", **own)}
        for row in rows.filter(pl.col("edition") == chosen).to_dicts():
            note = notes.get(row["event"])
            if note is not None:
                told = {name: note[name] for name in ("event", "bar", "beat", "name")}
                found[row["note_id"]] = own | told | {"probability": row["probability"]}
    return found


def place_words(place: Row) -> str:
    """Bar and beat of a place in words; the number of its event where the part has no bars."""
    if place["bar"] is None:
        return f"note {place['event']}"
    return f"bar {place['bar']}" + ("" if place["beat"] is None else f", beat {place['beat']:.3g}")
