"""Provenance as a W3C PROV document in PROV-JSON (W3C Member Submission, 24 April 2013).

Audio files, samples, tables and single numbers are entities; steps are activities; the program and people who
ruled on a speed are agents. Hashes and versions are attributes. No clock: activities have no times.
"""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from pipeline.store.corpus import Corpus
from pipeline.store.database.trace import Trace, TransferTrace, of_transfer, trace
from pipeline.store.provenance import RunRow

PREFIXES = {"gl": "urn:glideline:", "prov": "http://www.w3.org/ns/prov#", "xsd": "http://www.w3.org/2001/XMLSchema#"}


class Document:
    """A PROV document under construction; records are numbered in the order in which they are added."""

    def __init__(self) -> None:
        self.content: dict[str, dict[str, Any]] = {"prefix": dict(PREFIXES)}
        self._number = 0

    def add(self, kind: str, name: str, /, **attributes: Any) -> str:
        """An entity, activity or agent; adding it twice leaves one."""
        found = self.content.setdefault(kind, {}).setdefault(name, {})
        for key, value in attributes.items():
            if key == "type":
                found["prov:type"] = {"$": value, "type": "prov:QUALIFIED_NAME"}
            elif value not in (None, ""):
                found["prov:label" if key == "label" else f"gl:{key}"] = value
        return name

    def relate(self, kind: str, **roles: str) -> None:
        """A relation, such as ``used`` with ``activity`` and ``entity``; said twice, it stands once."""
        record = {f"prov:{key}": value for key, value in roles.items()}
        relations = self.content.setdefault(kind, {})
        if record not in relations.values():
            self._number += 1
            relations[f"_:r{self._number}"] = record


def prov(corpus: Path | str | Corpus, thing_id: str | None = None) -> dict[str, Any]:
    """PROV-JSON for one number, transfer, take, side, session or player; for the whole corpus without an id.

    Raises
    ------
    UsageError
        If nothing has that id.
    """
    corpus = corpus if isinstance(corpus, Corpus) else Corpus(corpus)
    document = Document()
    if thing_id is None:
        for transfer_id in sorted(corpus.catalogue.frame("transfer")["transfer_id"].to_list()):
            _transfer(document, of_transfer(corpus, transfer_id))
        return document.content
    found = trace(corpus, thing_id)
    for item in found.transfers:
        _transfer(document, item)
    _number(document, found)
    return document.content


def _number(document: Document, found: Trace) -> None:
    """The number asked for, derived from the table in which it stands."""
    if found.kind not in ("slide", "note", "transition") or found.row is None:
        return
    values = {name: value for name, value in found.row.items() if isinstance(value, str | int | float | bool)}
    entity = document.add("entity", f"gl:{found.kind}.{found.id}", type=f"gl:{found.kind}", **values)
    table = _table(found.kind, found.transfers[0].transfer["transfer_id"])
    document.relate("wasDerivedFrom", generatedEntity=entity, usedEntity=table)


def _transfer(document: Document, item: TransferTrace) -> None:
    transfer = item.transfer
    transfer_id = transfer["transfer_id"]
    disc = _disc(document, item)
    audio = document.add(
        "entity",
        f"gl:file.{transfer_id}",
        type="gl:audio_file",
        label=transfer["file"],
        sha256=item.file_sha256,
        archive=transfer.get("archive"),
        shelf_mark=transfer.get("shelf_mark"),
        turntable_rpm=transfer.get("turntable_rpm"),
    )
    if disc:
        document.relate("wasDerivedFrom", generatedEntity=audio, usedEntity=disc)
    samples = document.add("entity", f"gl:samples.{transfer_id}", type="gl:samples", sha256=item.samples_sha256)
    document.relate("wasDerivedFrom", generatedEntity=samples, usedEntity=audio)
    for row in item.steps:
        _step(document, row, samples)
    if item.decision:
        person = document.add(
            "agent", f"gl:person.{_local(item.decision['decided_by'])}", type="prov:Person",
            label=item.decision["decided_by"],
        )  # fmt: skip
        ruling = document.add(
            "entity", f"gl:ruling.{transfer_id}", type="gl:speed_decision", reason=item.decision["reason"]
        )
        document.relate("wasAttributedTo", entity=ruling, agent=person)
        if any(row.step == "settle" for row in item.steps):
            document.relate("used", activity=f"gl:settle.{transfer_id}", entity=ruling)


def _disc(document: Document, item: TransferTrace) -> str | None:
    """The side as an entity, made from its takes; None if the catalogue has none."""
    if item.side is None:
        return None
    side = document.add(
        "entity",
        f"gl:side.{item.side['side_id']}",
        type="gl:disc_side",
        record_label=item.side.get("label"),
        issue_number=item.side.get("issue_number"),
    )
    for row in item.takes:
        take = document.add(
            "entity",
            f"gl:take.{row['take_id']}",
            type="gl:take",
            matrix_number=row.get("matrix_number"),
            take_number=row.get("take_number"),
            recorded=row.get("recorded"),
        )
        document.relate("wasDerivedFrom", generatedEntity=side, usedEntity=take)
    for row in item.performances:
        player = document.add("agent", f"gl:player.{row['player_id']}", type="prov:Person")
        document.relate("wasAttributedTo", entity=f"gl:take.{row['take_id']}", agent=player)
    return side


def _step(document: Document, row: RunRow, samples: str) -> None:
    activity = document.add(
        "activity",
        f"gl:{row.step}.{row.transfer_id}",
        type="gl:step",
        label=f"{row.step}, version {row.step_version}",
        version=row.step_version,
        unit=row.unit_id,
        outcome=row.outcome,
        message=row.message,
        key_sha256=row.key_sha256,
    )
    program = document.add(
        "agent",
        f"gl:program.{_local(row.libraries.get('glideline', ''))}",
        type="prov:SoftwareAgent",
        label=", ".join(f"{name} {version}" for name, version in sorted(row.libraries.items())),
    )
    document.relate("wasAssociatedWith", activity=activity, agent=program)
    document.relate("used", activity=activity, entity=samples)
    for name, sha256 in _inputs(row):
        document.relate("used", activity=activity, entity=document.add("entity", name, type="gl:table", sha256=sha256))
    for kind, values in (("settings", row.settings), ("facts", row.facts)):
        plain = {key: str(value) for key, value in values.items()}
        entity = document.add("entity", f"gl:{kind}.{row.step}.{row.transfer_id}", type=f"gl:{kind}", **plain)
        document.relate("used", activity=activity, entity=entity)
    for table, sha256 in sorted(row.output_hashes.items()):
        entity = document.add("entity", _table(table, row.transfer_id), type="gl:table", sha256=sha256)
        document.relate("wasGeneratedBy", entity=entity, activity=activity)


def _inputs(row: RunRow) -> Iterator[tuple[str, str]]:
    for name, sha256 in sorted(row.input_hashes.items()):
        transfer_id, _, table = name.rpartition("/")
        yield _table(table, transfer_id or row.transfer_id), sha256


def _table(table: str, transfer_id: str) -> str:
    return f"gl:table.{table}.{transfer_id}"


def _local(text: str) -> str:
    """A name that may follow a prefix: letters, digits, hyphens and points."""
    kept: Iterable[str] = (c if c.isalnum() or c in "-." else "_" for c in text)
    return "".join(kept) or "unknown"
