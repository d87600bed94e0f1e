"""One passage of a take as a readable table: notes, strings and fingers, slides, beside a printed part."""

from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.answers.chords import chord_lines, printed_stop, printed_words
from pipeline.answers.measured_take import MeasuredTake, measured_take
from pipeline.answers.note_names import Spelling
from pipeline.answers.number_words import probability_words
from pipeline.answers.stop_words import stop_words
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
    shift_probability, cannot_tell, reasons (what spoke for the likeliest, in words); with a printed part also printed
    and verdict.

    Raises
    ------
    DataError
        If the take is unknown or not measured yet, or the file is not readable.
    """
    asked: dict[str, Any] = {"transfer_id": transfer_id, "speed_rank": speed_rank}
    return passage(folder, take_id, from_s=from_s, to_s=to_s, printed=printed, edition=edition, **asked).notes()


def passage(
    folder: Path | str,
    take_id: str,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
    transfer_id: str | None = None,
    printed: Path | str | None = None,
    edition: str | None = None,
    speed_rank: int = 1,
) -> "Passage":
    """A passage of a take, read once for its notes and its chords; arguments as of ``hand``."""
    heard = measured_take(Corpus(folder), take_id, transfer_id, speed_rank)
    beside = _beside(heard, printed=printed, edition=edition)
    first, last = float("-inf") if from_s is None else from_s, float("inf") if to_s is None else to_s
    return Passage(heard, speed_rank, beside, first, last)


@dataclass(frozen=True)
class Passage:
    """What was measured of a take from ``first_s`` to ``last_s`` of corrected time.

    ``beside``: the file or edition of a print that it is compared with; None where there is none.
    """

    heard: MeasuredTake
    speed_rank: int
    beside: Path | str | None
    first_s: float
    last_s: float

    def notes(self) -> pl.DataFrame:
        """Notes as ``hand`` gives them."""
        heard, take = self.heard, self.heard.take
        ids = take.notes["note_id"].to_list()
        rows = {
            name: heard.written(name).filter(speed_rank=self.speed_rank) for name in ("note_hand", "transition_hand")
        }
        if not {*ids} <= {*rows["note_hand"]["note_id"]}:
            raise heard.not_worked_out()
        columns = _columns(take, rows, semitones=heard.semitones, name=heard.spelling())
        reasons = not_counted(heard.corpus, heard.transfer_id)
        slides = take.slides["slide_id"].to_list()
        columns["not_counted"] = [reasons.get(slides[k]) if k >= 0 else None for k in take.slide]
        edition = self.beside if isinstance(self.beside, str) else None
        places_of = written_places(heard.corpus, heard.transfer_id, edition=edition)
        if places_of:
            places = [places_of.get(i) for i in ids]
            times = {name: columns.pop(name) for name in ("start_s", "transfer_start_s")}
            columns = {**times, "place": [p and place_words(p) for p in places], **columns}
        if self.beside is not None:
            matched = {row["note_id"]: row for row in self._compared("fingering_match") if row.get("note_id")}
            columns |= {
                "printed": [_printed(matched.get(i, {})) for i in ids],
                "verdict": [matched.get(i, {}).get("verdict") for i in ids],
            }
        kinds: dict[str, Any] = dict.fromkeys(
            ("start_s", "transfer_start_s", "cents", "shift_probability"), pl.Float64()
        )
        kinds |= {"position": pl.Int64(), "cannot_tell": pl.Boolean()}
        table = pl.DataFrame(columns, schema={name: kinds.get(name, pl.String()) for name in columns})
        return table.filter(pl.Series(take.notes["end_s"] >= self.first_s) & (pl.col("start_s") <= self.last_s))

    def other_readings(self) -> list[tuple[int, float, int]]:
        """Other likely readings of the speed: rank, share, notes of the passage that have another string or finger."""
        within = self.heard.take.notes.filter((pl.col("end_s") >= self.first_s) & (pl.col("start_s") <= self.last_s))
        first = self.heard.written("note_hand").filter(rank=1).join(within.select("note_id"), on="note_id", how="semi")
        shown = first.filter(speed_rank=self.speed_rank).select("note_id", "string", "finger")
        others = first.filter(pl.col("speed_rank") != self.speed_rank).join(shown, on="note_id", suffix="_shown")
        differs = pl.struct("string", "finger").ne_missing(pl.struct(string="string_shown", finger="finger_shown"))
        counted = others.group_by("speed_rank", "speed_share").agg(differs.sum().alias("notes")).sort("speed_rank")
        return counted.rows()

    def chords(self) -> list[Row]:
        """Chords: start_s, notes, heard (in words), ways (likeliest first), why, and printed (whether the hand agrees).

        ``printed`` is "" without a print.
        """
        heard = self.heard
        if heard.tables["chord"].is_empty():
            return []
        tables = {name: heard.tables[name] for name in ("chord", "chord_note")}
        tables["chord_hand"] = heard.written("chord_hand")
        matched = [] if self.beside is None else self._compared("chord_fingering_match")
        printed = printed_words(matched)
        lines = chord_lines(tables, name=heard.spelling(), speed_rank=self.speed_rank, printed=printed)
        return [line for line in lines if self.first_s <= line["start_s"] <= self.last_s]

    def _compared(self, table: str) -> list[Row]:
        """Rows of ``fingering_match`` or ``chord_fingering_match`` for the print."""
        if isinstance(self.beside, str) and self.speed_rank == 1:
            return self.heard.written(table).filter(edition=self.beside).to_dicts()
        return self._anew[table]

    @cached_property
    def _anew(self) -> dict[str, list[Row]]:
        from pipeline.answers.compared import compared_anew  # brings all that works out a hand

        assert self.beside is not None
        return compared_anew(self.heard, self.beside)


def _beside(heard: MeasuredTake, *, printed: Path | str | None, edition: str | None) -> Path | str | None:
    """What stands beside the hand: a file, else an edition of the catalogue; None where there is none."""
    if printed is not None:
        return Path(printed)
    work_id = (heard.corpus.catalogue.row("take", heard.take_id) or {})["work_id"]
    if edition is None and not (work_id and heard.facts["takes"][heard.take_id]["printed"]):
        return None
    return chosen_edition(heard.corpus.catalogue, work_id, edition)


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
        "reasons": [ways[i][0].get("reasons") for i in ids],
    }


def _way(row: Row) -> str:
    if row.get("string") is None:
        return ""
    return f"{stop_words(row['string'], row['finger'])} {probability_words(row['probability'])}"


def _slide(row: Row, semitones: float, name: Spelling) -> str:
    start = name(row["from_midi"] + semitones)
    broken = ""
    if row["step_from_midi"] is not None:
        broken = f", with a step {name(row['step_from_midi'] + semitones)}–{name(row['step_to_midi'] + semitones)}"
    return f"{row['kind'].replace('_', ' ')} from {start}{broken}"


def _printed(row: Row) -> str | None:
    if not row:
        return None
    position = row["printed_position"]
    return printed_stop(row) + ("" if position is None else f" pos. {position}") or None
