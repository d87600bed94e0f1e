"""Written parts of a corpus: added from files, and shown."""

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.answers.open_corpus import OpenCorpus
from pipeline.errors import DataError, typed
from pipeline.instruments import INSTRUMENTS
from pipeline.store.adding.editing import EditableTable
from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.catalogue.recording import soloists_of
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.catalogue.written import FOLDER, bars_of, counted_like, reference, written_rows
from pipeline.store.corpus import Corpus
from pipeline.store.files.changes import Change, changing
from pipeline.store.parts.part import WrittenNote, WrittenPart, numbered
from pipeline.store.parts.pitch import signature_of
from pipeline.store.schema import load

GROWN = "grown from takes"
_OF_A_PART = ("written_part", "written_note", "written_way")


def add(
    folder: Path | str,
    work_id: str,
    file: Path | str,
    *,
    edition: str,
    part: str | None = None,
    editor_id: str | None = None,
    rights: str | None = None,
    replace: bool = False,
) -> WrittenPart:
    """Reads a written part into the catalogue, and keeps a copy of its file in ``catalogue/parts/``.

    Parameters
    ----------
    folder : the corpus.
    work_id : the work.
    file : MusicXML, MIDI or CSV.
    edition : editor, publisher and year.
    part : which part of a score, by name or number; None as in ``read_part``.
    editor_id : whose fingering it prints, where that is a player of the catalogue.
    rights : who may use it how.
    replace : whether an edition that is there already is read again; corrections made in it by hand are lost.

    Raises
    ------
    DataError
        If there is no such work or editor, the edition is there already from another file, or the file cannot be read.
    """
    from pipeline.store.parts.read import read_part  # brings the readers of XML, which no question needs

    file = Path(file)
    with changing(Corpus(folder).root, doing="part add") as change:
        corpus = Corpus(folder)
        signature = signature_of(known_work(corpus.catalogue, work_id)["key"])
        if editor_id is not None:
            known(corpus.catalogue, "player", editor_id)
        content = file.read_bytes() if file.is_file() else b""
        sha256 = hashlib.sha256(content).hexdigest()
        there = corpus.catalogue.rows("written_part", work_id=work_id, edition=edition)
        same = any(row["sha256"] == sha256 and editor_id in (None, row["editor_id"]) for row in there)
        if same and not replace:  # given again, say after it was cut short
            return read_part(file, strings=_strings(corpus.catalogue, work_id), part=part, signature=signature)
        _require_new(corpus, work_id, edition, replace=replace)
        read = read_part(
            file,
            strings=_strings(corpus.catalogue, work_id),
            part=part,
            sounding=lambda take_id, time_s: _sounding(corpus, take_id, time_s),
            signature=signature,
        )
        kept = corpus.root / FOLDER / file.name
        row = {"editor_id": editor_id, "file": file.name, "sha256": sha256, "rights": rights}
        _keep_file(kept, content, change, replace=replace)
        write(corpus, change, read, work_id=work_id, edition=edition, row=row)
        return read


def grow(folder: Path | str, work_id: str, *, edition: str | None = None, replace: bool = False) -> WrittenPart:
    """Grows a part from the takes of a work, for want of a score, and keeps it; its places are numbers, not bars.

    Parameters
    ----------
    folder : the corpus, run.
    work_id : the work.
    edition : name of the part; "grown from takes" if None.
    replace : as in ``add``.

    Raises
    ------
    DataError
        If there is no such work, fewer than two of its takes have notes, or the part is there already.
    """
    from pipeline.signal.passages.grow import LEAST_TAKES
    from pipeline.signal.passages.grow import grow as grown_from

    edition = edition or GROWN
    with OpenCorpus(folder) as opened:
        signature = signature_of(known_work(Corpus(folder).catalogue, work_id)["key"])
        frame = opened.sql(
            "select note.take_id, note.midi, note.start_s from base.note "
            "join stage.analysed_take using (transfer_id, take_id) join base.take using (take_id) "
            f"where take.work_id = '{work_id}' order by take_id, note.start_s"
        )
    takes = [
        (rows["midi"].to_numpy(), rows["start_s"].to_numpy())
        for _, rows in frame.group_by("take_id", maintain_order=True)
    ]
    if len(takes) < LEAST_TAKES:
        cure = "add takes of it, or read a score by `glideline part add`"
        raise DataError(f"{work_id}: {len(takes)} of its takes have notes; a part is grown from {LEAST_TAKES}", cure)
    found = grown_from(takes)
    notes = [
        WrittenNote(pitch[0], onset=float(beat), signature=signature)
        for pitch, beat in zip(found.part.pitches, found.part.beats, strict=True)
    ]
    part = WrittenPart(numbered(notes, range(len(notes))))
    with changing(Corpus(folder).root, doing="part grow") as change:
        corpus = Corpus(folder)
        _require_new(corpus, work_id, edition, replace=replace)
        row = {"grown": True, "note": f"from {len(takes)} takes, {', '.join(sorted(set(frame['take_id'])))}"}
        write(corpus, change, part, work_id=work_id, edition=edition, row=row)
    return part


def _require_new(corpus: Corpus, work_id: str, edition: str, *, replace: bool) -> None:
    if corpus.catalogue.rows("written_part", work_id=work_id, edition=edition) and not replace:
        raise DataError(
            f"{edition!r} of {work_id} is already in catalogue/written_part.csv",
            "give --replace to make it anew (what was mended by hand in written_note.csv is then lost)",
        )


def write(
    corpus: Corpus, change: Change, part: WrittenPart, *, work_id: str, edition: str, row: Mapping[str, Any]
) -> None:
    """Gives the rows of a part to a change, in the place of what is there of that edition.

    The first edition of a work becomes its reference, before any grown part. ``row``: other cells of ``written_part``.
    """
    own = {"work_id": work_id, "edition": edition}
    parts = corpus.catalogue.rows("written_part", work_id=work_id)
    first, last = bars_of(part)
    named_by = reference(parts)
    if named_by not in (None, edition):
        part = counted_like(part, corpus.catalogue.rows("written_note", work_id=work_id, edition=named_by))
    is_reference = not row.get("grown") and reference(p for p in parts if not p["grown"]) in (None, edition)
    rows = written_rows(part, **own)
    rows["written_part"] = [
        own | {"is_reference": is_reference, "from_bar": first, "to_bar": last} | {k: v for k, v in row.items() if v}
    ]
    for name in (*_OF_A_PART, "place_decision"):
        table = EditableTable.read(corpus.root / "catalogue" / f"{name}.csv", relation=load(name))
        if name in _OF_A_PART:
            table.remove(own)
        for each in rows[name]:
            table.append({column: cell(value) for column, value in each.items()})
        if rows[name] or table.was is not None:
            table.into(change)


def known(catalogue: Catalogue, table: str, thing_id: str) -> None:
    """Raises `DataError` if a table of the catalogue has no such row; names the nearest."""
    if catalogue.row(table, thing_id) is None:
        there = catalogue.frame(table)[f"{table}_id"].to_list()
        raise DataError(f"there is no {table} {thing_id!r}", did_you_mean(thing_id, there, otherwise="mend the id"))


def known_work(catalogue: Catalogue, work_id: str) -> dict[str, Any]:
    """The row of a work.

    Raises
    ------
    DataError
        If there is none; names the nearest.
    """
    row = catalogue.row("work", work_id)
    if row is None:
        works = catalogue.frame("work")["work_id"].to_list()
        cure = did_you_mean(work_id, works, otherwise="`glideline query DIR slides_by_work` lists those played")
        raise DataError(f"there is no work {work_id!r} in catalogue/work.csv", f"{cure}")
    return row


def chosen_edition(catalogue: Catalogue, work_id: str, edition: str | None) -> str:
    """The edition of a work that is meant: any beginning or part of its name serves; the reference for None.

    Raises
    ------
    DataError
        If the work has no part, or none of that name, or several.
    """
    parts = catalogue.rows("written_part", work_id=work_id)
    names = sorted(row["edition"] for row in parts)
    if not names:
        corpus = typed(catalogue.root)
        raise DataError(
            f"{work_id}: has no written part", f'`glideline part add {corpus} {work_id} FILE --edition "…"`'
        )
    if edition is None:
        return str(reference(parts))
    near = [name for name in names if edition.casefold() in name.casefold()]
    if edition in names or len(near) == 1:
        return edition if edition in names else near[0]
    listed = "; ".join(near or names)
    raise DataError(
        f"{work_id}: {'several editions' if near else 'no edition'} like {edition!r}", f"there are: {listed}"
    )


def notes(folder: Path | str, work_id: str, *, edition: str | None = None) -> pl.DataFrame:
    """Notes of a written part as on paper, with where one may go on after them.

    Raises
    ------
    DataError
        If there is no such work or edition.
    """
    catalogue = Corpus(folder).catalogue
    known_work(catalogue, work_id)
    own = {"work_id": work_id, "edition": chosen_edition(catalogue, work_id, edition)}
    frame = catalogue.frame("written_note").filter(pl.col(name) == value for name, value in own.items())
    ways: dict[int, list[str]] = {}
    for row in catalogue.rows("written_way", **own):
        ways.setdefault(row["from_event"], []).append(_way(row, frame))
    last = ~pl.col("event").is_duplicated() | (pl.col("note_number") == pl.col("note_number").max().over("event"))
    said = [", ".join(ways.get(event, [])) or None for event in frame["event"]]
    return frame.with_columns(pl.when(last).then(pl.Series(said, dtype=pl.String())).alias("then"))


def _way(row: Mapping[str, Any], frame: pl.DataFrame) -> str:
    at = frame.filter(pl.col("event") == row["to_event"])
    if at.is_empty():
        return str(row["way"])
    bar = at["bar"][0]
    times = f" {row['times']} times" if row["times"] and row["times"] > 1 else ""
    return f"{row['way'].replace('_', ' ')} to {f'bar {bar}' if bar else 'note'} ({at['name'][0]}){times}"


def cell(value: Any) -> str:
    """A value as it stands in a hand-kept table."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def _keep_file(place: Path, content: bytes, change: Change, *, replace: bool) -> None:
    if place.is_symlink():
        raise DataError(f"{FOLDER}/{place.name}: is a link", "put the file itself in its place")
    was = place.read_bytes() if place.exists() else None
    if was not in (None, content) and not replace:
        raise DataError(f"{FOLDER}/{place.name}: is there already and differs", "give the new file another name")
    change.put(place, content, was=was)


def _strings(catalogue: Catalogue, work_id: str) -> tuple[str, ...]:
    """Names of the strings of the instrument that plays the work in this corpus; the violin's if none is named."""
    takes = catalogue.rows("take", work_id=work_id)
    named = {row["instrument"] for take in takes for row in soloists_of(catalogue, take["take_id"])} - {None}
    return INSTRUMENTS[min(named, key=list(INSTRUMENTS).index) if named else "violin"].strings


def _sounding(corpus: Corpus, take_id: str, time_s: float) -> float | None:
    """The pitch found in a take at a corrected time; None where there is no note."""
    sides = [row["side_id"] for row in corpus.catalogue.rows("side_take", take_id=take_id)]
    transfers = [row["transfer_id"] for side in sides for row in corpus.catalogue.rows("transfer", side_id=side)]
    for transfer_id in transfers:
        frame = corpus.read("note", transfer_id)
        if frame is None:
            continue
        at = frame.filter((pl.col("take_id") == take_id) & (pl.col("start_s") <= time_s) & (pl.col("end_s") > time_s))
        if not at.is_empty():
            return float(at["midi"][0])
    return None
