"""A print compared with a hand worked out anew, where no run has done so: of a file, or for another reading."""

from pathlib import Path
from typing import Any

from pipeline.answers.measured_take import MeasuredTake
from pipeline.steps.hand.chords import chords_of_take
from pipeline.steps.hand.printed import above_print
from pipeline.steps.hand.printed_chords import compared
from pipeline.steps.hand.rows import rows_of_take, school_of
from pipeline.steps.match.placed import placed
from pipeline.store.catalogue.written import written_rows
from pipeline.store.parts.read import read_part

Row = dict[str, Any]
Laid = tuple[list[Row], list[Row], float]
"""A part's notes, rows of ``written_match`` of the take on it, and by how many semitones the take lies above it."""


def compared_anew(heard: MeasuredTake, beside: Path | str) -> dict[str, list[Row]]:
    """Rows of ``fingering_match`` and ``chord_fingering_match``; ``beside``: a file, or an edition of the catalogue."""
    settings, board, raised = heard.corpus.settings.hand, heard.board, heard.semitones
    _, hand = rows_of_take(heard.take, board=board, settings=settings, semitones=raised, own={})
    found = (heard.tables[name] for name in ("chord", "chord_note"))
    chords = chords_of_take(heard.take, *found, board=board, school=school_of(settings), semitones=raised)
    notes, matched, above = _of_file(beside, heard) if isinstance(beside, Path) else _of_edition(beside, heard)
    return compared(notes, matched, take=heard.take, hand=hand, chords=chords, board=board, above=above, own=heard.own)


def _of_edition(name: str, heard: MeasuredTake) -> Laid:
    laid = (heard.tables[table].filter(edition=name).to_dicts() for table in ("written_match", "written_fit"))
    matched, fit = laid
    return heard.facts["takes"][heard.take_id]["printed"][name], matched, above_print(fit)


def _of_file(file: Path, heard: MeasuredTake) -> Laid:
    take, strings = heard.take, heard.board.strings
    part = read_part(
        file, strings=strings, sounding=lambda of, time_s: take.midi_at(time_s) if of == heard.take_id else None
    )
    rows = written_rows(part, work_id="this", edition=file.stem)
    decisions = [row for row in rows["place_decision"] if row["take_id"] == heard.take_id]
    laid = placed(rows["written_note"], rows["written_way"], take.notes, decisions)
    return rows["written_note"], laid.rows, laid.fit.shift + laid.fit.tuning_cents / 100.0
