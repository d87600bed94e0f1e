"""One passage of a take as a readable table: notes, strings and fingers, slides, beside a printed part."""

from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.answers.chords import chord_lines, printed_words
from pipeline.answers.note_names import Spelling, spelling_of
from pipeline.answers.number_words import probability_words
from pipeline.answers.written_parts import chosen_edition
from pipeline.errors import DataError, typed
from pipeline.signal.hand.fingerboard import Fingerboard
from pipeline.steps.board import board_of
from pipeline.steps.hand.chords import TakeChord, chord_rows, chords_of_take
from pipeline.steps.hand.printed import above_print
from pipeline.steps.hand.printed_chords import chord_match_rows, compared
from pipeline.steps.hand.rows import Row, TakeNotes, rows_of_take, school_of, take_notes
from pipeline.steps.hand.step import STEP, readings
from pipeline.steps.match.placed import placed
from pipeline.store.catalogue.problems import listed
from pipeline.store.catalogue.recording import takes_on
from pipeline.store.catalogue.written import written_rows
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only
from pipeline.store.parts.read import read_part
from pipeline.store.parts.where import place_words, written_places

WAYS = 3


def hand(
    folder: Path | str,
    take_id: str,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
    transfer_id: str | None = None,
    printed: Path | str | None = None,
    edition: str | None = None,
    speed_rank: int = 1,
) -> pl.DataFrame:
    """Notes of a passage with their likeliest strings and fingers.

    Parameters
    ----------
    folder : the corpus.
    take_id : the take; or a transfer that holds only one.
    from_s, to_s : corrected time of the passage; None for the beginning and the end.
    transfer_id : which transfer; the one that stands for the take if None.
    printed : a written part to set beside it, MusicXML, CSV or any that ``part add`` reads; the catalogue's is used if
        None.
    edition : which edition of the catalogue; a part of its name serves. The reference if None.
    speed_rank : which reading of an ambiguous speed.

    Returns
    -------
    One row per note: start_s and transfer_start_s in s, place (written bar and beat, where there is a part), note,
    cents, ways (likeliest first), position, slide (into the note), not_counted (why that slide enters no rate),
    shift_probability, cannot_tell; with a printed part also printed and verdict.

    Raises
    ------
    DataError
        If the take is unknown or not measured yet, or the file is not readable.
    """
    corpus = Corpus(folder)
    heard = _heard(corpus, take_id, transfer_id, speed_rank)
    take, ids = heard.take, heard.take.notes["note_id"].to_list()
    rows, found = rows_of_take(
        take,
        board=heard.board,
        settings=corpus.settings.hand,
        semitones=heard.semitones,
        own={"speed_rank": speed_rank, **heard.own},
    )
    columns = _columns(take, rows, semitones=heard.semitones, name=heard.spelling())
    reasons = not_counted(corpus, heard.transfer_id)
    slides = take.slides["slide_id"].to_list()
    columns["not_counted"] = [reasons.get(slides[k]) if k >= 0 else None for k in take.slide]
    beside = _beside(heard, printed=printed, edition=edition)
    told = None if beside is None or printed is not None else beside.edition
    places_of = written_places(corpus, heard.transfer_id, edition=told)
    if places_of:
        places = [places_of.get(i) for i in ids]
        times = {name: columns.pop(name) for name in ("start_s", "transfer_start_s")}
        columns = {**times, "place": [p and place_words(p) for p in places], **columns}
    if beside is not None:
        laid = compared(beside.notes, beside.matched, hand=found, **beside.on(heard))["fingering_match"]
        matched = {row["note_id"]: row for row in laid if row.get("note_id")}
        columns |= {
            "printed": [_printed(matched.get(i, {})) for i in ids],
            "verdict": [matched.get(i, {}).get("verdict") for i in ids],
        }
    kinds: dict[str, Any] = dict.fromkeys(("start_s", "transfer_start_s", "cents", "shift_probability"), pl.Float64())
    kinds |= {"position": pl.Int64(), "cannot_tell": pl.Boolean()}
    table = pl.DataFrame(columns, schema={name: kinds.get(name, pl.String()) for name in columns})
    wanted = pl.lit(value=True)
    if from_s is not None:
        wanted = wanted & pl.Series(take.notes["end_s"] >= from_s)
    if to_s is not None:
        wanted = wanted & (pl.col("start_s") <= to_s)
    return table.filter(wanted)


def chords(
    folder: Path | str,
    take_id: str,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
    transfer_id: str | None = None,
    printed: Path | str | None = None,
    edition: str | None = None,
    speed_rank: int = 1,
) -> list[Row]:
    """Chords of a passage; arguments as of ``hand``.

    Each has start_s, notes, heard (in words), ways (likeliest first), and printed: what is printed and whether the hand
    agrees, "" without a print.
    """
    corpus = Corpus(folder)
    heard = _heard(corpus, take_id, transfer_id, speed_rank)
    if heard.tables["chord"].is_empty():
        return []
    rows = chord_rows(heard.chords, board=heard.board, own={"speed_rank": speed_rank, **heard.own})
    tables = {name: heard.tables[name] for name in ("chord", "chord_note")}
    tables["chord_hand"] = pl.DataFrame(rows, schema_overrides={"position": pl.Int64()})
    beside = _beside(heard, printed=printed, edition=edition)
    matched = [] if beside is None else chord_match_rows(beside.notes, beside.matched, **beside.on(heard))
    lines = chord_lines(tables, name=heard.spelling(), speed_rank=speed_rank, printed=printed_words(matched))
    first, last = float("-inf") if from_s is None else from_s, float("inf") if to_s is None else to_s
    return [line for line in lines if first <= line["start_s"] <= last]


@dataclass(frozen=True)
class _Heard:
    """What was measured of a take on one transfer; ``semitones``: by how much a reading of the speed raises it."""

    corpus: Corpus
    take_id: str
    transfer_id: str
    facts: Mapping[str, Any]
    tables: Mapping[str, pl.DataFrame]
    take: TakeNotes
    board: Fingerboard
    semitones: float

    @property
    def own(self) -> Row:
        return {"transfer_id": self.transfer_id, "take_id": self.take_id}

    @cached_property
    def chords(self) -> list[TakeChord]:
        found = (self.tables[name] for name in ("chord", "chord_note"))
        school = school_of(self.corpus.settings.hand)
        return chords_of_take(self.take, *found, board=self.board, school=school, semitones=self.semitones)

    def spelling(self) -> Spelling:
        return spelling_of(self.corpus, self.transfer_id, semitones=self.semitones)


def _heard(corpus: Corpus, take_id: str, transfer_id: str | None, speed_rank: int) -> _Heard:
    take_id, transfer_id = _take_of(corpus, take_id, transfer_id)
    transfer_id, tables = _tables(corpus, take_id, transfer_id)
    facts = STEP.facts(corpus.catalogue, transfer_id)
    of_take = {name: t.filter(pl.col("take_id") == take_id) for name, t in tables.items() if "take_id" in t.columns}
    take = take_notes(*(of_take[name] for name in ("note", "transition", "slide")))
    board = board_of(facts, tables["melody"], take_id)
    ranks = readings(tables["speed"].row(0, named=True), tables["speed_alternative"])
    if not 1 <= speed_rank <= len(ranks):
        raise DataError(f"{take_id}: has {len(ranks)} reading(s) of the speed, not {speed_rank}", "choose one of them")
    return _Heard(corpus, take_id, transfer_id, facts, of_take, take, board, ranks[speed_rank - 1])


@dataclass(frozen=True)
class _Beside:
    """A printed part beside a take: its notes, the take's notes laid on it, by how much these lie above it."""

    edition: str
    notes: Sequence[Row]
    matched: Sequence[Row]
    above: float

    def on(self, heard: _Heard) -> Row:
        """What it is compared with, as ``compared`` asks for it."""
        own = {"take": heard.take, "chords": heard.chords, "board": heard.board}
        return own | {"above": self.above, "own": heard.own}


def _beside(heard: _Heard, *, printed: Path | str | None, edition: str | None) -> _Beside | None:
    """The part of a file, else that of an edition of the catalogue; None where there is none."""
    if printed is not None:
        return _of_file(Path(printed), heard)
    work_id = (heard.corpus.catalogue.row("take", heard.take_id) or {})["work_id"]
    parts = heard.facts["takes"][heard.take_id]["printed"]
    if edition is None and not (work_id and parts):
        return None
    name = chosen_edition(heard.corpus.catalogue, work_id, edition)
    laid = (heard.tables[table].filter(edition=name).to_dicts() for table in ("written_match", "written_fit"))
    matched, fit = laid
    return _Beside(name, parts[name], matched, above_print(fit))


def _of_file(file: Path, heard: _Heard) -> _Beside:
    take, strings = heard.take, heard.board.strings
    part = read_part(
        file, strings=strings, sounding=lambda of, time_s: take.midi_at(time_s) if of == heard.take_id else None
    )
    rows = written_rows(part, work_id="this", edition=file.stem)
    decisions = [row for row in rows["place_decision"] if row["take_id"] == heard.take_id]
    laid = placed(rows["written_note"], rows["written_way"], take.notes, decisions)
    return _Beside(file.stem, rows["written_note"], laid.rows, laid.fit.shift + laid.fit.tuning_cents / 100.0)


def _take_of(corpus: Corpus, thing_id: str, transfer_id: str | None) -> tuple[str, str | None]:
    """The take and transfer meant by the id of a take, or of a transfer."""
    transfer = corpus.catalogue.row("transfer", thing_id)
    if transfer is None or corpus.catalogue.row("take", thing_id):
        return thing_id, transfer_id
    takes = [take["take_id"] for take in takes_on(corpus.catalogue, transfer["side_id"])]
    if len(takes) != 1:
        raise DataError(
            f"{thing_id} is a transfer", f"give one of its takes: {', '.join(takes) or 'none is catalogued'}"
        )
    return takes[0], transfer_id or thing_id


def _tables(corpus: Corpus, take_id: str, transfer_id: str | None) -> tuple[str, dict[str, pl.DataFrame]]:
    if corpus.catalogue.row("take", take_id) is None:
        takes = corpus.catalogue.frame("take")["take_id"].to_list()
        raise DataError(f"there is no take {take_id!r}", f"takes are {listed(takes, most=8) or 'none yet'}")
    for each in _standing(corpus, take_id) if transfer_id is None else [transfer_id]:
        tables = {name: corpus.read(name, each) for name in STEP.reads}
        found = {name: table for name, table in tables.items() if table is not None}
        if len(found) == len(tables) and (found["note"]["take_id"] == take_id).any():
            return each, found
    raise DataError(f"{take_id}: has no notes yet", f"`glideline run {typed(corpus.root)}` measures it")


def not_counted(corpus: Corpus, transfer_id: str) -> dict[str, str]:
    """Why slides found in a transfer enter no rate, by their ids."""
    with closing(open_read_only(corpus.root)) as con:
        rows = con.execute(
            """
            select
                judged.slide_id,
                case
                    when not exists (from stage.analysed_take as taken where taken.transfer_id = judged.transfer_id)
                        then 'another transfer stands for the take'
                    when span.reason is not null then span.reason
                    when judged.verdict = 'no_slide' then 'listeners heard none'
                    when judged.verdict = 'cannot_tell' then 'listeners cannot tell'
                    else 'beside a chord'
                end
            from stage.judged_slide as judged
            left join base.solo_span as span
                on span.transfer_id = judged.transfer_id and not span.counted
                and judged.transfer_middle_s >= span.transfer_start_s
                and judged.transfer_middle_s < span.transfer_end_s
            where judged.transfer_id = ? and judged.slide_id not in (select slide_id from fact.slide)
            """,
            [transfer_id],
        ).fetchall()
    return dict(rows)


def _standing(corpus: Corpus, take_id: str) -> list[str]:
    """The transfers whose slides count for a take, in the order of its parts."""
    with closing(open_read_only(corpus.root)) as con:
        found = con.execute(
            "select transfer_id from stage.analysed_take where take_id = ? and transfer_id is not null order by part",
            [take_id],
        ).fetchall()
    return [str(each) for (each,) in found]


def _columns(take: TakeNotes, rows: dict[str, list[Row]], *, semitones: float, name: Spelling) -> dict[str, list[Any]]:
    ways: dict[str, list[Row]] = {}
    for row in rows["note_hand"]:
        ways.setdefault(row["note_id"], []).append(row)
    into = dict(zip(take.transitions["transition_id"], take.transitions["to_note_id"], strict=True))
    shifts = {into[row["transition_id"]]: row["shift_probability"] for row in rows["transition_hand"]}
    slides = take.slides.to_dicts()
    ids = take.notes["note_id"].to_list()
    midi = [m + semitones for m in take.notes["midi"]]
    return {
        "start_s": take.notes["start_s"].to_list(),
        "transfer_start_s": take.notes["transfer_start_s"].to_list(),
        "note": [name(m) for m in midi],
        "cents": [100.0 * (m - round(m)) for m in midi],
        "ways": ["  ".join(_way(w) for w in ways[i][:WAYS]) or "off the instrument" for i in ids],
        "position": [ways[i][0].get("position") for i in ids],
        "slide": [_slide(slides[k], semitones, name) if k >= 0 else None for k in take.slide],
        "shift_probability": [shifts.get(i) for i in ids],
        "cannot_tell": [ways[i][0]["cannot_tell"] for i in ids],
    }


def _way(row: Row) -> str:
    if row.get("string") is None:
        return ""
    return f"{row['string']}{row['finger']} {probability_words(row['probability'])}"


def _slide(row: Row, semitones: float, name: Spelling) -> str:
    start = name(row["from_midi"] + semitones)
    broken = ""
    if row["step_from_midi"] is not None:
        broken = f" broken {name(row['step_from_midi'] + semitones)}–{name(row['step_to_midi'] + semitones)}"
    return f"{row['kind'].replace('_', ' ')} from {start}{broken}"


def _printed(row: Row) -> str | None:
    if not row:
        return None
    finger, position = row["printed_finger"], row["printed_position"]
    said = (row["printed_string"] or "") + ("" if finger is None else str(finger))
    return said + ("" if position is None else f" pos. {position}") or None
