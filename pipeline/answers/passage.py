"""One passage of a take as a readable table: notes, strings and fingers, slides, beside a printed part."""

from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.answers.chords import chord_lines, printed_stop, printed_words
from pipeline.answers.measured_take import MeasuredTake, measured_take
from pipeline.answers.note_names import Spelling
from pipeline.answers.number_words import probability_words
from pipeline.answers.written_parts import chosen_edition
from pipeline.steps.hand.taken import TakeNotes
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only
from pipeline.store.parts.where import place_words, written_places

Row = dict[str, Any]
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
    heard = measured_take(corpus, take_id, transfer_id, speed_rank)
    take, ids = heard.take, heard.take.notes["note_id"].to_list()
    rows = {name: heard.written(name).filter(speed_rank=speed_rank) for name in ("note_hand", "transition_hand")}
    if not {*ids} <= {*rows["note_hand"]["note_id"]}:
        raise heard.not_worked_out()
    columns = _columns(take, rows, semitones=heard.semitones, name=heard.spelling())
    reasons = not_counted(corpus, heard.transfer_id)
    slides = take.slides["slide_id"].to_list()
    columns["not_counted"] = [reasons.get(slides[k]) if k >= 0 else None for k in take.slide]
    beside = _beside(heard, printed=printed, edition=edition)
    told = beside if isinstance(beside, str) else None
    places_of = written_places(corpus, heard.transfer_id, edition=told)
    if places_of:
        places = [places_of.get(i) for i in ids]
        times = {name: columns.pop(name) for name in ("start_s", "transfer_start_s")}
        columns = {**times, "place": [p and place_words(p) for p in places], **columns}
    if beside is not None:
        laid = _compared(heard, "fingering_match", beside, speed_rank)
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
    heard = measured_take(corpus, take_id, transfer_id, speed_rank)
    if heard.tables["chord"].is_empty():
        return []
    tables = {name: heard.tables[name] for name in ("chord", "chord_note")}
    tables["chord_hand"] = heard.written("chord_hand")
    beside = _beside(heard, printed=printed, edition=edition)
    matched = [] if beside is None else _compared(heard, "chord_fingering_match", beside, speed_rank)
    lines = chord_lines(tables, name=heard.spelling(), speed_rank=speed_rank, printed=printed_words(matched))
    first, last = float("-inf") if from_s is None else from_s, float("inf") if to_s is None else to_s
    return [line for line in lines if first <= line["start_s"] <= last]


def _beside(heard: MeasuredTake, *, printed: Path | str | None, edition: str | None) -> Path | str | None:
    """What stands beside the hand: a file, else an edition of the catalogue; None where there is none."""
    if printed is not None:
        return Path(printed)
    work_id = (heard.corpus.catalogue.row("take", heard.take_id) or {})["work_id"]
    if edition is None and not (work_id and heard.facts["takes"][heard.take_id]["printed"]):
        return None
    return chosen_edition(heard.corpus.catalogue, work_id, edition)


def _compared(heard: MeasuredTake, table: str, beside: Path | str, speed_rank: int) -> list[Row]:
    """Rows of ``fingering_match`` or ``chord_fingering_match`` for a print."""
    if isinstance(beside, str) and speed_rank == 1:
        return heard.written(table).filter(edition=beside).to_dicts()
    from pipeline.answers.compared import compared_anew  # brings all that works out a hand

    return compared_anew(heard, beside)[table]


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


def _columns(
    take: TakeNotes, rows: Mapping[str, pl.DataFrame], *, semitones: float, name: Spelling
) -> dict[str, list[Any]]:
    ways: dict[str, list[Row]] = {}
    for row in rows["note_hand"].to_dicts():
        ways.setdefault(row["note_id"], []).append(row)
    into = dict(zip(take.transitions["transition_id"], take.transitions["to_note_id"], strict=True))
    shifts = {into[row["transition_id"]]: row["shift_probability"] for row in rows["transition_hand"].to_dicts()}
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
    position = row["printed_position"]
    return printed_stop(row) + ("" if position is None else f" pos. {position}") or None
