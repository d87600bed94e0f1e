"""One passage of a take as a readable table: notes, strings and fingers, slides, beside a printed part."""

from contextlib import closing
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.answers.chords import chord_lines
from pipeline.answers.note_names import Spelling, spelling_of
from pipeline.answers.number_words import probability_words
from pipeline.answers.written_parts import chosen_edition
from pipeline.errors import DataError, typed
from pipeline.steps.board import board_of
from pipeline.steps.hand.printed import above_print, match_rows
from pipeline.steps.hand.rows import Row, TakeNotes, rows_of_take, take_notes
from pipeline.steps.hand.step import STEP, readings
from pipeline.steps.match.placed import placed
from pipeline.store.catalogue.problems import listed
from pipeline.store.catalogue.recording import takes_on
from pipeline.store.catalogue.written import highest, written_rows
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
    take_id, transfer_id = _take_of(corpus, take_id, transfer_id)
    transfer_id, tables = _tables(corpus, take_id, transfer_id)
    facts = STEP.facts(corpus.catalogue, transfer_id)
    take = take_notes(*(tables[name].filter(pl.col("take_id") == take_id) for name in ("note", "transition", "slide")))
    board = board_of(facts, tables["melody"], take_id)
    ranks = readings(tables["speed"].row(0, named=True), tables["speed_alternative"])
    if not 1 <= speed_rank <= len(ranks):
        raise DataError(f"{take_id}: has {len(ranks)} reading(s) of the speed, not {speed_rank}", "choose one of them")
    rows, found = rows_of_take(
        take,
        board=board,
        settings=corpus.settings.hand,
        semitones=ranks[speed_rank - 1],
        own={"speed_rank": speed_rank, "transfer_id": transfer_id, "take_id": take_id},
    )
    chosen_name, matched = None, {}
    work_id = (corpus.catalogue.row("take", take_id) or {})["work_id"]
    if printed is not None or edition is not None or (work_id and facts["takes"][take_id]["printed"]):
        own = {"transfer_id": transfer_id, "take_id": take_id}
        if printed is not None:
            chosen_name = Path(printed).stem
            lines, laid, above = _laid(Path(printed), take_id, take, board.strings)
        else:
            chosen_name = chosen_edition(corpus.catalogue, work_id, edition)
            lines = facts["takes"][take_id]["printed"][chosen_name]
            rows_of = (tables[n].filter(take_id=take_id, edition=chosen_name) for n in ("written_match", "written_fit"))
            laid, fit = (table.to_dicts() for table in rows_of)
            above = above_print(fit)
        matches = match_rows(lines, laid, take=take, hand=found, board=board, above=above, own=own)
        matched = {row["note_id"]: row for row in matches if row.get("note_id")}
    semitones = ranks[speed_rank - 1]
    name = spelling_of(corpus, transfer_id, semitones=semitones)
    columns = _columns(take, rows, semitones=semitones, name=name)
    reasons = not_counted(corpus, transfer_id)
    ids = take.slides["slide_id"].to_list()
    columns["not_counted"] = [reasons.get(ids[k]) if k >= 0 else None for k in take.slide]
    placed = written_places(corpus, transfer_id, edition=None if printed is not None else chosen_name)
    if placed:
        places = [placed.get(i) for i in take.notes["note_id"]]
        times = {name: columns.pop(name) for name in ("start_s", "transfer_start_s")}
        columns = {**times, "place": [p and place_words(p) for p in places], **columns}
    if chosen_name is not None:
        columns |= {
            "printed": [_printed(matched.get(i, {})) for i in take.notes["note_id"]],
            "verdict": [matched.get(i, {}).get("verdict") for i in take.notes["note_id"]],
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
    speed_rank: int = 1,
) -> list[Row]:
    """Chords of a passage: start_s, notes, heard (in words) and ways (likeliest first); arguments as of ``hand``."""
    corpus = Corpus(folder)
    take_id, transfer_id = _take_of(corpus, take_id, transfer_id)
    transfer_id, tables = _tables(corpus, take_id, transfer_id)
    own = {**tables, "chord_hand": corpus.read("chord_hand", transfer_id)}
    of_take = {n: None if t is None else t.filter(pl.col("take_id") == take_id) for n, t in own.items() if "chord" in n}
    ranks = readings(tables["speed"].row(0, named=True), tables["speed_alternative"])
    name = spelling_of(corpus, transfer_id, semitones=ranks[speed_rank - 1])
    lines = chord_lines(of_take, name=name, speed_rank=speed_rank)
    first, last = float("-inf") if from_s is None else from_s, float("inf") if to_s is None else to_s
    return [line for line in lines if first <= line["start_s"] <= last]


def _laid(file: Path, take_id: str, take: TakeNotes, strings: tuple[str, ...]) -> tuple[list[Row], list[Row], float]:
    """What a file prints, the take's notes laid on it, and by how much they lie above it."""
    part = read_part(file, strings=strings, sounding=lambda of, time_s: take.midi_at(time_s) if of == take_id else None)
    rows = written_rows(part, work_id="this", edition=file.stem)
    decisions = [row for row in rows["place_decision"] if row["take_id"] == take_id]
    laid = placed(rows["written_note"], rows["written_way"], take.notes, decisions)
    return highest(rows["written_note"]), laid.rows, laid.fit.shift + laid.fit.tuning_cents / 100.0


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
