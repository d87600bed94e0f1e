"""A written part from a CSV file with a row a note.

Columns: ``note`` (or ``pitch``: F#5; or ``midi``) or ``time`` (s in corrected time, where the note sounds in the take
that ``take`` names), and any of bar, beat, beats, grace, string, finger, position, slide_marked, slurred_to_next,
signature (sharps of the key signature, flats negative). Rows of one bar and beat are a chord; bars that go back are a
repeat written out, and are folded. Headings may be in capitals and in six languages; semicolons and tabs do as well.
"""

import math
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import DataError
from pipeline.instruments import THUMB
from pipeline.store.catalogue.problems import did_you_mean, plain
from pipeline.store.parts.part import WrittenNote, WrittenPart, folded
from pipeline.store.parts.pitch import MOST_FIFTHS, midi_of_name

Sounding = Callable[[str, float], float | None]
"""The pitch (MIDI) found in a take at a time; None where there is no note."""
_PITCHES = ("note", "pitch", "midi", "time")
_COLUMNS = (
    *("take", *_PITCHES, "bar", "beat", "beats", "grace"),
    *("string", "finger", "position", "slide_marked", "slurred_to_next", "signature"),
)
# Headings that people use, written plainly, and the column meant.
_ALSO = {
    **dict.fromkeys(("measure", "takt", "mesure", "battuta", "compas", "maat"), "bar"),
    **dict.fromkeys(("schlag", "zahlzeit", "temps", "tempo", "tiempo", "tel"), "beat"),
    **dict.fromkeys(("ton", "notename", "nota", "noot"), "note"),
    **dict.fromkeys(("fingering", "fingersatz", "doigt", "doigte", "dito", "diteggiatura", "dedo", "vinger"), "finger"),
    **dict.fromkeys(("saite", "corde", "corda", "cuerda", "snaar"), "string"),
    **dict.fromkeys(("lage", "posizione", "posicion", "positie"), "position"),
}
_BAR = re.compile(r"(\d{1,5})([a-z]?)")


def read_table(
    path: Path, *, strings: tuple[str, ...], sounding: Sounding | None = None, signature: int | None = None
) -> WrittenPart:
    """The part in the order of the page; ``signature`` is that of rows that tell none.

    Raises
    ------
    DataError
        If the file is not readable or a cell is wrong; names its row.
    """
    try:
        with path.open("rb") as file:
            first = file.readline()
        separator = max(",;\t", key=lambda sign: first.count(sign.encode()))
        frame = pl.read_csv(path, infer_schema=False, encoding="utf8", separator=separator)
    except FileNotFoundError as error:
        raise DataError("there is no such file", "check its name and folder", where=str(path)) from error
    except IsADirectoryError as error:
        raise DataError(f"{path.name}: is a folder", "give the file itself") from error
    except (pl.exceptions.PolarsError, OSError) as error:
        raise DataError(f"{path.name}: is not readable as CSV ({error})", "save it as CSV UTF-8") from error
    frame = _named(frame, path)
    rows = list(enumerate(frame.to_dicts(), start=2))
    if not rows:
        raise DataError(f"{path.name}: holds no notes", "write a row for each note")
    numbers = bar_indices([row.get("bar") for _, row in rows], wheres=[f"{path.name}: row {n}" for n, _ in rows])
    notes = [
        _note(row, index, f"{path.name}: row {number}", strings, sounding, signature)
        for (number, row), index in zip(rows, numbers, strict=True)
    ]
    return folded(notes)


def _named(frame: pl.DataFrame, path: Path) -> pl.DataFrame:
    """The table under our own names of columns."""
    known = {plain(name): name for name in (*_COLUMNS, "note_number")} | _ALSO
    meant = {name: known.get(_bare(name), "") for name in frame.columns}
    listed = f"the columns are {', '.join(_COLUMNS)}"
    if unknown := next((name for name, column in meant.items() if not column), None):
        raise DataError(
            f"{path.name}: unknown column {unknown!r}", did_you_mean(unknown, list(_COLUMNS), otherwise=listed)
        )
    names = list(meant.values())
    if twice := next((name for name in names if names.count(name) > 1), None):
        both = " and ".join(repr(name) for name, column in meant.items() if column == twice)
        raise DataError(f"{path.name}: {both} both mean {twice}", "rename or delete one of the two")
    if not set(_PITCHES) & set(names):
        raise DataError(f"{path.name}: no column note, pitch, midi or time", listed)
    return frame.rename(meant)


def _bare(heading: str) -> str:
    """A heading without capitals, spaces, signs and accents."""
    return "".join(c for c in unicodedata.normalize("NFKD", plain(heading)) if not unicodedata.combining(c))


def bar_indices(bars: list[Any], *, wheres: list[str]) -> list[int | None]:
    """Running numbers of bars as printed (12, 12a): the numbers themselves, unless letters or a bar 0 ask for more.

    All are None if any is.
    """
    if any(bar in (None, "") for bar in bars):
        return [None] * len(bars)
    read = []
    for bar, where in zip(bars, wheres, strict=True):
        matched = _BAR.fullmatch(str(bar).strip())
        if matched is None:
            raise DataError(f"{where}: bar = {bar!r} is not a bar", "write a number, with a letter after it if need be")
        read.append((int(matched[1]), matched[2]))
    if any(letter for _, letter in read):
        rank = {bar: number for number, bar in enumerate(sorted(set(read)), start=1)}
        return [rank[bar] for bar in read]
    shift = 1 if min(read)[0] == 0 else 0
    return [number + shift for number, _ in read]


@dataclass(frozen=True)
class _Cells:
    """The cells of a row, read as what they should be; ``where`` names it in errors."""

    row: Mapping[str, Any]
    where: str

    def number(self, name: str, low: float, high: float) -> float | None:
        text = self.row.get(name)
        try:
            found = float(text) if text else None
        except ValueError:
            found = math.nan
        if found is not None and not low <= found <= high:
            raise DataError(
                f"{self.where}: {name} = {text!r} is not a number from {low:g} to {high:g}",
                "mend it, or leave it empty",
            )
        return found

    def whole(self, name: str, high: int, *, low: int = 0) -> int | None:
        found = self.number(name, low, high)
        return None if found is None else int(found)

    def yes(self, name: str) -> bool:
        return self.text(name).lower() in ("yes", "true", "1")

    def text(self, name: str) -> str:
        return (self.row.get(name) or "").strip()


def _pitch(cells: _Cells, sounding: Sounding | None, *, take: str, time_s: float | None) -> float:
    """The pitch as written, or as it sounds in a take at a time."""
    name, where = cells.row.get("note") or cells.row.get("pitch"), cells.where
    try:
        midi = midi_of_name(name) if name else cells.number("midi", 0, 127)
    except DataError as error:
        given = "note" if cells.row.get("note") else "pitch"
        raise DataError(f"{where}: {given} = {error.message}", error.cure) from error
    if midi is None and time_s is None:
        raise DataError(f"{where}: neither note nor time is given", "write a pitch like F#5, or a time in s")
    if time_s is not None and not take:
        raise DataError(f"{where}: time = {time_s:g} without a take", "name the take in a column take")
    if midi is None and time_s is not None:
        midi = sounding(take, time_s) if sounding is not None else None
        if midi is None:
            raise DataError(
                f"{where}: time = {time_s:g}: no note was found there",
                "run first, mend the time (corrected s), or add the note",
            )
        midi = float(round(midi))
    return float(midi or 0.0)


def _note(
    row: dict[str, Any],
    bar_index: int | None,
    where: str,
    strings: tuple[str, ...],
    sounding: Sounding | None,
    signature: int | None,
) -> WrittenNote:
    cells = _Cells(row, where)
    time_s, take = cells.number("time", 0, 100_000), cells.text("take")
    midi = _pitch(cells, sounding, take=take, time_s=time_s)
    if row.get("string") and row["string"] not in strings:
        raise DataError(
            f"{where}: string = {row['string']!r} is not a string of the instrument",
            f"the strings are {', '.join(strings)}",
        )
    own = cells.whole("signature", MOST_FIFTHS, low=-MOST_FIFTHS)
    return WrittenNote(
        midi,
        bar_index=bar_index,
        bar=cells.text("bar") or None,
        beat=cells.number("beat", 1, 64),
        beats=cells.number("beats", 0, 1000),
        name=cells.text("note") or cells.text("pitch") or None,
        grace=cells.yes("grace"),
        string=row.get("string") or None,
        # The thumb stops on the cello alone, whose strings are named as the viola's are.
        finger=cells.whole("finger", THUMB - 1 if "E" in strings else THUMB),
        position=cells.whole("position", 15),
        slide_marked=cells.yes("slide_marked"),
        slurred_to_next=cells.yes("slurred_to_next"),
        signature=signature if own is None else own,
        take_id=take if take and time_s is not None else None,
        time_s=time_s,
    )
