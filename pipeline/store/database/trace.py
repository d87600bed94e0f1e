"""Where a number comes from: from a slide, note, take or transfer back to the audio, step by step.

A trace holds for each transfer the rows of ``run`` with settings, facts, versions and hashes, what the catalogue
says of transfer, side, takes and sources, and a person's ruling on the speed where there is one.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import UsageError
from pipeline.settings import Settings
from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.corpus import Corpus
from pipeline.store.parts.where import written_places
from pipeline.store.provenance import RunRow, rows_of

Row = dict[str, Any]

# Computed tables whose rows have an id that begins with the transfer's.
NUMBERED = ("slide", "note", "transition")


@dataclass(frozen=True)
class Trace:
    """The way back from one thing.

    Attributes
    ----------
    id, kind : what was asked for: slide, note, transition, transfer, take, side, session or player.
    row : its own row; None for what has none.
    place : where a note, or the note that a slide leaves or leads to, stands in the written music; None if not known.
    transfers : for each transfer that it rests on, the way back.
    """

    id: str
    kind: str
    row: Row | None
    transfers: tuple["TransferTrace", ...]
    place: Row | None = None


@dataclass(frozen=True)
class TransferTrace:
    """What stands behind the results of one transfer."""

    transfer: Row
    side: Row | None
    takes: tuple[Row, ...]
    performances: tuple[Row, ...]
    names: dict[str, str]
    sources: tuple[Row, ...]
    decision: Row | None
    speed: Row | None
    steps: tuple[RunRow, ...]

    @property
    def samples_sha256(self) -> str | None:
        """Hash of the decoded samples, as far as known."""
        return next((row.samples_sha256 for row in self.steps if row.samples_sha256), None)

    @property
    def file_sha256(self) -> str | None:
        """Hash of the file, as far as known."""
        return next((row.file_sha256 for row in self.steps if row.file_sha256), None)


def trace(corpus: Path | str | Corpus, thing_id: str) -> Trace:
    """The way back from a slide, note, transition, transfer, take, side, session or player.

    Raises
    ------
    UsageError
        If nothing has that id.
    """
    corpus = corpus if isinstance(corpus, Corpus) else Corpus(corpus)
    catalogue = corpus.catalogue
    transfer_id = thing_id.rpartition("-")[0]
    if catalogue.row("transfer", transfer_id):
        for table in NUMBERED:
            frame = corpus.read(table, transfer_id)
            if frame is not None:
                rows = frame.filter(frame[f"{table}_id"] == thing_id).to_dicts()
                if rows:
                    place = _place(corpus, transfer_id, rows[0])
                    return Trace(thing_id, table, rows[0], (of_transfer(corpus, transfer_id),), place)
    for kind in ("transfer", "side", "take", "session", "player"):
        row = catalogue.row(kind, thing_id)
        if row is not None:
            found = sorted(set(_transfers_of(corpus, kind, thing_id)))
            return Trace(thing_id, kind, row, tuple(of_transfer(corpus, t) for t in found))
    known = catalogue.frame("transfer")["transfer_id"].to_list()
    cure = did_you_mean(thing_id, known, otherwise="give the id of a slide, note, transition, transfer or take")
    raise UsageError(f"nothing here has the id {thing_id!r}", cure)


def of_transfer(corpus: Corpus, transfer_id: str) -> TransferTrace:
    """What stands behind the results of one transfer."""
    catalogue = corpus.catalogue
    transfer = catalogue.row("transfer", transfer_id) or {}
    take_ids = set(_ids(corpus, "side_take", "take_id", side_id=transfer["side_id"]))
    take_ids |= {t for t in _ids(corpus, "passage", "take_id", transfer_id=transfer_id) if t}
    takes = tuple(row for t in sorted(take_ids) if (row := catalogue.row("take", t)))
    performances = tuple(row for t in sorted(take_ids) for row in catalogue.rows("performance", take_id=t))
    side = catalogue.row("side", transfer["side_id"])
    pitches = [row for t in sorted(take_ids) for row in catalogue.rows("reference_pitch", take_id=t)]
    cited = {row.get("source_id") for row in (transfer, side or {}, *takes, *performances, *pitches)} - {None}
    speed = corpus.read("speed", transfer_id)
    rows = rows_of(corpus.read("run", transfer_id))
    return TransferTrace(
        transfer=transfer,
        side=side,
        takes=takes,
        performances=performances,
        names={p: row["name"] for p in _players(performances) if (row := catalogue.row("player", p))},
        sources=tuple(row for s in sorted(cited, key=str) if (row := catalogue.row("source", str(s)))),
        decision=next(iter(catalogue.rows("speed_decision", transfer_id=transfer_id)), None),
        speed=speed.row(0, named=True) if speed is not None and speed.height else None,
        steps=tuple(in_order(rows.values())),
    )


def _place(corpus: Corpus, transfer_id: str, row: Row) -> Row | None:
    places = written_places(corpus, transfer_id)
    named = (row.get(name) for name in ("note_id", "from_note_id", "to_note_id"))
    found = next((places[str(note)] for note in named if note in places), None)
    title = (corpus.catalogue.row("work", found["work_id"]) or {}).get("title") if found else None
    return found | {"title": title} if found else None


def _players(performances: Iterable[Row]) -> list[str]:
    return sorted({row["player_id"] for row in performances})


def in_order(rows: Iterable[RunRow]) -> list[RunRow]:
    """Rows in the order of the steps, which is that of their settings."""
    steps = list(Settings.model_fields)
    return sorted(rows, key=lambda row: steps.index(row.step) if row.step in steps else len(steps))


def _ids(corpus: Corpus, table: str, column: str, **where: Any) -> list[str]:
    return [row[column] for row in corpus.catalogue.rows(table, **where)]


def _transfers_of(corpus: Corpus, kind: str, thing_id: str) -> list[str]:
    if kind == "transfer":
        return [thing_id]
    if kind == "side":
        return _ids(corpus, "transfer", "transfer_id", side_id=thing_id)
    if kind == "take":
        sides = _ids(corpus, "side_take", "side_id", take_id=thing_id)
        by_passage = _ids(corpus, "passage", "transfer_id", take_id=thing_id)
        return [*by_passage, *(t for side_id in sides for t in _transfers_of(corpus, "side", side_id))]
    if kind == "session":
        takes = _ids(corpus, "take", "take_id", session_id=thing_id)
    else:
        takes = _ids(corpus, "performance", "take_id", player_id=thing_id)
    return [t for take_id in takes for t in _transfers_of(corpus, "take", take_id)]
