"""One dated folder that a colleague can use without this program: tables, codebook, methods, scripts.

Only takes that may be shared go in. A take is withheld where its transfer is marked private, or the rights of the
transfer or the side are marked restricted; all rates are counted again without it. Listeners are named by codes
unless the settings say that they agreed. Sound goes in only if asked for, and only of transfers marked public.
"""

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import __version__, store
from pipeline.answers.export import methods
from pipeline.answers.export.pseudonyms import pseudonyms
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.selection import Selection
from pipeline.errors import DataError, UsageError, typed
from pipeline.store import schema
from pipeline.store.catalogue.recording import soloists_of, takes_on
from pipeline.store.corpus import Corpus
from pipeline.store.database.edited import edited_since, edited_words
from pipeline.store.database.edited_rows import with_rows
from pipeline.store.database.read import find_view
from pipeline.store.files.durable import naming
from pipeline.store.files.outputs import refuse_inside_a_corpus
from pipeline.store.formats import codebook, data_package
from pipeline.store.formats import stata_spss as statistics
from pipeline.store.formats.data_package import PackageTable
from pipeline.store.formats.jams import jams
from pipeline.store.formats.musicxml_out import Chord, musicxml

TABLE_FORMATS = ("csv", "parquet", "arrow", "stata", "spss")
OTHER_FORMATS = ("jams", "musicxml")
_ENDINGS = {"csv": "csv", "parquet": "parquet", "arrow": "arrow", "stata": "dta", "spss": "sav"}

# Name in the package, and the view it is.
TIDY = {
    "take": "export.take_for_models",
    "slide": "export.slide_for_models",
    "transition": "fact.transition",
    "place": "export.place_for_models",
    "chord": "fact.chord",
    "chord_note": "fact.chord_note",
    "other_glide": "base.other_glide",
    "player": "base.player",
    "school_share": "fact.school_member",
    "period_share": "fact.take_period",
    "lineage": "stage.ancestor",
    "speed": "base.speed",
    "speed_alternative": "base.speed_alternative",
}


@dataclass(frozen=True)
class Exported:
    """Where the package is, its content hash, and what was left out."""

    folder: Path
    content_sha256: str
    tables: dict[str, int]
    withheld: dict[str, str]
    was_there: bool


def export(
    root: Path | str,
    *,
    to: Sequence[str] = ("csv", "parquet"),
    into: Path | str | None = None,
    replace: bool = False,
    with_sound: bool = False,
    today: date | None = None,
) -> Exported:
    """Write the package.

    Parameters
    ----------
    to : formats, of ``TABLE_FORMATS`` and ``OTHER_FORMATS``; CSV with its descriptor is always written.
    into : folder for the dated folder; None for ``derived/export``.
    replace : whether to replace a folder that is there; one in ``derived/export`` always is.
    with_sound : copy the audio of transfers marked public.
    today : the date in the folder's name.

    Raises
    ------
    UsageError
        If a format is unknown, or ``into`` belongs to a corpus or holds this folder already.
    DataError
        If there is no database yet, or the catalogue was edited since it was made.
    """
    corpus = Corpus(root)
    _refuse_unfit(corpus, to=to, into=into)
    with OpenCorpus(corpus.root) as opened:
        withheld = withheld_takes(opened)
        tables = _tables(corpus, opened, sorted(withheld))
        said = methods.paragraph(opened, corpus, tables={t.name: t.frame for t in tables}, withheld=withheld)
    content = data_package.content_hash(tables)
    day = (today or date.today()).isoformat()
    folder = Path(into) if into is not None else corpus.derived / "export"
    folder = folder / f"{day}-{content[:8]}"
    if into is not None and folder.exists() and not replace:
        raise UsageError(f"{folder}: is there already", "give another place, or add --replace")
    was_there = folder.exists()
    partial = folder.with_name(f".{folder.name}.part")
    shutil.rmtree(partial, ignore_errors=True)
    partial.mkdir(parents=True)
    title = corpus.settings.title or "Slides in a corpus of historical string recordings"
    takes = [t for t in _shared(tables) if t not in withheld]
    try:
        with naming(folder):
            formats = [name for name in TABLE_FORMATS if name == "csv" or name in to]
            cut = _write_tables(partial, tables, formats=formats)
            _write_words(partial, tables, title=title, cut=cut, said=said, content=content, corpus=corpus, day=day)
            if "jams" in to:
                _write_jams(partial / "jams", corpus, takes)
            if "musicxml" in to:
                _write_scores(partial / "musicxml", corpus, takes)
            if with_sound:
                _copy_sound(partial / "audio", corpus, takes)
            if was_there:
                shutil.rmtree(folder)  # the same content of the same day
            partial.rename(folder)
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    return Exported(folder, content, {t.name: t.frame.height for t in tables}, withheld, was_there)


def _refuse_unfit(corpus: Corpus, *, to: Sequence[str], into: Path | str | None) -> None:
    """Raises what ``export`` says that it raises, before anything is read."""
    known = TABLE_FORMATS + OTHER_FORMATS
    if unknown := [name for name in to if name not in known]:
        raise UsageError(f"--as {','.join(unknown)}: choose from {', '.join(known)}", "csv is for R and Python, too")
    if into is not None:
        refuse_inside_a_corpus(Path(into))
    if edited := edited_since(corpus.root):
        raise DataError(
            f"nothing is exported: {edited_words(with_rows(corpus.root, edited))}, and both would go out together",
            f"run first: glideline run {typed(corpus.root)}",
        )


def withheld_takes(opened: OpenCorpus) -> dict[str, str]:
    """Takes that may not be shared, and why."""
    rows = opened.sql(_WITHHELD).to_dicts()
    return {row["take_id"]: row["reason"] for row in rows}


_WITHHELD = """
select
    side_take.take_id,
    string_agg(
        distinct case
            when transfer.visibility = 'private' then 'transfer ' || transfer.transfer_id || ' is private'
            when transfer.rights_status = 'restricted'
                then 'rights in transfer ' || transfer.transfer_id || ' are restricted'
            else 'rights in side ' || side.side_id || ' are restricted'
        end, '; '
    ) as reason,
from base.side_take
join base.side on side.side_id = side_take.side_id
left join stage.analysed_take on analysed_take.take_id = side_take.take_id
left join base.transfer on transfer.transfer_id = analysed_take.transfer_id
where
    transfer.visibility = 'private' or transfer.rights_status = 'restricted' or side.rights_status = 'restricted'
group by side_take.take_id
order by side_take.take_id
"""


def _tables(corpus: Corpus, opened: OpenCorpus, withheld: list[str]) -> list[PackageTable]:
    """All tables of the package: tidy ones, summaries, then the catalogue and the verdicts as kept by hand."""
    made = []
    wanted = TIDY | {
        relation.name: f"summary.{relation.name}"
        for relation in schema.relations("summary")
        if f"summary.{relation.name}" not in TIDY.values() and relation.name not in _UNSHARED
    }
    for name, view in wanted.items():
        frame = _frame(opened, view, withheld)
        made.append(PackageTable(name, frame, find_view(view), f"csv/{name}.csv"))
    kept = _Kept(corpus, set(withheld))
    for relation in schema.hand_kept():
        frame = kept.frame(relation.name).select([column.name for column in relation.written_columns])
        folder = "catalogue" if relation.folder == "catalogue" else "reviews"
        made.append(PackageTable(f"{folder}/{relation.name}", frame, relation, f"{folder}/{relation.name}.csv"))
    return made


def shared_frame(opened: OpenCorpus, name: str, withheld: list[str]) -> pl.DataFrame:
    """One of the tables ``TIDY`` as an export would hold it without the withheld takes."""
    return _frame(opened, TIDY[name], withheld)


def _frame(opened: OpenCorpus, view: str, withheld: list[str]) -> pl.DataFrame:
    whole = not withheld or find_view(view).name in _WHOLE
    return opened.selected(view, Selection(without_takes=() if whole else withheld)).frame


# What names withheld takes by its nature, and what holds no takes at all.
_UNSHARED = ("depends_on_speed", "missing_or_doubtful", "speed_beside_others", "speed_ledger")
_WHOLE = ("player", "ancestor", "school_member")


class _Kept:
    """The hand-kept tables without rows that belong to withheld takes only."""

    def __init__(self, corpus: Corpus, withheld: set[str]) -> None:
        self.corpus = corpus
        self.take_ids = withheld
        links = corpus.catalogue.frame("side_take")
        shared = set(links.filter(~pl.col("take_id").is_in(sorted(withheld)))["side_id"])
        self.side_ids = set(links["side_id"]) - shared
        transfers = corpus.catalogue.frame("transfer")
        self.transfer_ids = set(transfers.filter(pl.col("side_id").is_in(sorted(self.side_ids)))["transfer_id"])
        self.codes = pseudonyms(corpus)

    def frame(self, table: str) -> pl.DataFrame:
        frame = self.corpus.catalogue.frame(table)
        for column, gone in (
            ("take_id", self.take_ids),
            ("side_id", self.side_ids),
            ("transfer_id", self.transfer_ids),
        ):
            if column in frame.columns and gone:
                frame = frame.filter(~pl.col(column).is_in(sorted(gone)) | pl.col(column).is_null())
        if "listener" in frame.columns:
            frame = frame.with_columns(pl.col("listener").replace(self.codes))
        return frame


def _write_tables(folder: Path, tables: list[PackageTable], *, formats: list[str]) -> dict[str, tuple[str, ...]]:
    """Each table in each format; gives the columns that SPSS cannot hold in full."""
    cut: dict[str, tuple[str, ...]] = {}
    for table in tables:
        (folder / table.path).parent.mkdir(exist_ok=True)
        (folder / table.path).write_bytes(data_package.csv_bytes(table.frame))
        if "/" in table.name:
            continue  # what is kept by hand goes out as it came in
        ready = statistics.coded(table.frame, table.relation)
        for name in formats:
            (folder / name).mkdir(exist_ok=True)
            path = folder / name / f"{table.name}.{_ENDINGS[name]}"
            if name == "parquet":
                table.frame.write_parquet(path)
            elif name == "arrow":
                table.frame.write_ipc(path, compat_level=pl.CompatLevel.oldest(), compression="uncompressed")
            elif name == "stata":
                statistics.write_stata(ready, path)
            elif name == "spss":
                statistics.write_spss(ready, path)
                if ready.cut:
                    cut[table.name] = ready.cut
    return cut


def _write_words(
    folder: Path, tables: list[PackageTable], *, title: str, cut: dict[str, tuple[str, ...]], said: str, content: str,
    corpus: Corpus, day: str,
) -> None:  # fmt: skip
    settings = corpus.settings.export
    facts: dict[str, Any] = {
        "name": data_package.resource_name(title)[:60].strip("-") or "slides",
        "id": f"urn:sha256:{content}",
        "title": title,
        "default_period_scheme": corpus.settings.default_period_scheme,
        "created": f"{day}T00:00:00Z",
        "version": content[:12],
        "description": "Slides between notes on historical string recordings; see methods.md and codebook.md.",
        "licenses": [{"name": settings.licence or "not-stated", "title": settings.licence or "No licence is stated"}],
        "contributors": [{"title": name, "roles": ["creator"]} for name in settings.contributors],
        "sources": [
            {"title": row["title"]} for row in corpus.catalogue.frame("source").to_dicts() if row.get("title")
        ] or [{"title": "The corpus's own catalogue and measurements"}],
    }  # fmt: skip
    if not facts["contributors"]:
        del facts["contributors"]
    described = data_package.descriptor(tables, facts=facts)
    (folder / "datapackage.json").write_text(
        json.dumps(described, ensure_ascii=False, indent=1), encoding="utf-8", newline="\n"
    )
    tidy = [table for table in tables if "/" not in table.name]
    (folder / "codebook.csv").write_bytes(data_package.csv_bytes(codebook.rows(tidy)))
    (folder / "codebook.md").write_text(codebook.markdown(tables, title=title, cut=cut), encoding="utf-8", newline="\n")
    (folder / "codebook.html").write_text(codebook.html(tables, title=title), encoding="utf-8", newline="\n")
    (folder / "methods.md").write_text(said, encoding="utf-8", newline="\n")
    (folder / "CITATION.txt").write_text(
        methods.citation(title=title, contributors=settings.contributors, content=content, day=day),
        encoding="utf-8",
    )
    (folder / "README.md").write_text(methods.readme(title=title, content=content), encoding="utf-8", newline="\n")
    analysis = Path(store.__file__).parent / "analysis"
    (folder / "analysis").mkdir()
    for name in ("slide_rate_model.R", "slide_rate_model.py", "place_model.R"):
        shutil.copyfile(analysis / name, folder / "analysis" / name)


def _shared(tables: list[PackageTable]) -> list[str]:
    return sorted(set(next(t.frame for t in tables if t.name == "take")["take_id"]))


def _sides(corpus: Corpus, takes: list[str]) -> list[tuple[dict[str, Any], list[str]]]:
    """Transfers that carry shared takes only, with those takes."""
    made = []
    for transfer in corpus.catalogue.rows("transfer"):
        carried = [take["take_id"] for take in takes_on(corpus.catalogue, transfer["side_id"])]
        if carried and set(carried) <= set(takes):
            made.append((transfer, carried))
    return made


def _words(corpus: Corpus, take_id: str) -> dict[str, str]:
    """Title of a take and the names of its soloists."""
    take = corpus.catalogue.row("take", take_id) or {}
    work = corpus.catalogue.row("work", take["work_id"]) if take.get("work_id") else None
    players = [corpus.catalogue.row("player", part["player_id"]) for part in soloists_of(corpus.catalogue, take_id)]
    return {
        "title": work["title"] if work else take_id,
        "artist": ", ".join(player["name"] for player in players if player),
    }


def _write_jams(folder: Path, corpus: Corpus, takes: list[str]) -> None:
    folder.mkdir()
    for transfer, carried in _sides(corpus, takes):
        transfer_id = transfer["transfer_id"]
        notes, slides = corpus.read("note", transfer_id), corpus.read("slide", transfer_id)
        tuning = corpus.read("tuning", transfer_id)
        if notes is None or slides is None or tuning is None:
            continue
        words = _words(corpus, carried[0])
        document = jams(
            facts={"title": words["title"], "artist": words["artist"], "release": transfer_id},
            length_s=float(tuning["length_s"][0]),
            version=__version__,
            pitch=corpus.read("pitch_frame", transfer_id),
            notes=notes,
            slides=slides,
        )
        (folder / f"{transfer_id}.jams").write_text(json.dumps(document), encoding="utf-8")


def _write_scores(folder: Path, corpus: Corpus, takes: list[str]) -> None:
    folder.mkdir()
    for transfer, carried in _sides(corpus, takes):
        transfer_id = transfer["transfer_id"]
        notes, slides = corpus.read("note", transfer_id), corpus.read("slide", transfer_id)
        melody = corpus.read("melody", transfer_id)
        if notes is None or slides is None or melody is None or notes.is_empty():
            continue
        hand = corpus.read("note_hand", transfer_id)
        words = _words(corpus, carried[0])
        document = musicxml(
            title=words["title"],
            player=words["artist"],
            instrument=str(melody["instrument"][0]),
            notes=notes,
            slides=slides,
            hand=pl.DataFrame({"note_id": [], "finger": []}) if hand is None else hand.filter(rank=1, speed_rank=1),
            chords=_chords(corpus, transfer_id),
        )
        (folder / f"{transfer_id}.musicxml").write_bytes(document)


def _chords(corpus: Corpus, transfer_id: str) -> list[Chord]:
    """Chords of a transfer, each note with its string and finger in the likeliest way."""
    chords, notes, hand = (corpus.read(name, transfer_id) for name in ("chord", "chord_note", "chord_hand"))
    if chords is None or notes is None or hand is None:
        return []
    ways = hand.filter(rank=1, speed_rank=1).select("chord_id", "note_number", "string", "finger")
    stopped = notes.join(ways, on=["chord_id", "note_number"], how="left").sort("chord_id", "note_number")
    of_chord = {key[0]: part.to_dicts() for key, part in stopped.partition_by("chord_id", as_dict=True).items()}
    return [
        Chord(row["start_s"], row["end_s"], row["breaking"], of_chord[row["chord_id"]])
        for row in chords.iter_rows(named=True)
    ]


def _copy_sound(folder: Path, corpus: Corpus, takes: list[str]) -> None:
    folder.mkdir()
    for transfer, _ in _sides(corpus, takes):
        if transfer["visibility"] == "public":
            source = corpus.audio_path(transfer["file"])
            target = folder / f"{transfer['transfer_id']}{source.suffix}"
            shutil.copyfile(source, target)
