"""What sounds together in the demo, found against planted: chords of a player alone, and two players at once."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from pipeline.answers.chords import heard_words, printed_words
from pipeline.answers.note_names import spelling
from pipeline.answers.number_words import clock_words, probability_words
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.said import in_words
from pipeline.answers.short_sentences import short_sentences
from pipeline.answers.stop_words import stop_words
from pipeline.counted import counted
from pipeline.demonstration.compare import match, read_truth

SAME_SEMITONES = 0.5
"""How far a note found may be off the planted one."""

Row = dict[str, Any]


@dataclass(frozen=True)
class PlantedChord:
    """A planted chord, and what was found of it: the row of ``chord`` (None: nothing), its notes, the likeliest way."""

    planted: list[Row]
    chord: Row | None
    notes: list[Row]
    way: list[Row]

    @property
    def notes_found(self) -> int:
        """Planted notes that were found."""
        return sum(any(_same(one, other) for other in self.notes) for one in self.planted)

    @property
    def notes_besides(self) -> int:
        """Notes found that were not planted."""
        return sum(not any(_same(one, other) for other in self.planted) for one in self.notes)


@dataclass(frozen=True)
class Chords:
    """The chords of one transfer, and how many were found that were not planted."""

    transfer_id: str
    chords: tuple[PlantedChord, ...]
    besides: int


@dataclass(frozen=True)
class Duet:
    """Slides of both players of one transfer: the soloist's planted, found and counted; the other's planted, listed as
    not the soloist's, and counted all the same."""

    transfer_id: str
    own: int
    own_found: int
    own_counted: int
    others: int
    others_listed: int
    others_counted: int


def compare_chords(corpus: OpenCorpus, planted: pl.DataFrame) -> Chords:
    """Chords found against planted: of those that overlap with a planted one, that with most of its notes."""
    transfer_id = planted["transfer_id"][0]
    of_side = f"transfer_id = '{transfer_id}'"
    found = corpus.view("base.chord", where=of_side).sort("start_s").rows(named=True)
    notes, hand = (corpus.view(f"base.{n}", where=of_side).rows(named=True) for n in ("chord_note", "chord_hand"))
    free = {row["chord_id"]: row for row in found}
    made = []
    for _, group in planted.group_by("start_s", maintain_order=True):
        true = group.rows(named=True)
        there = [
            row for row in free.values() if row["start_s"] < true[0]["end_s"] and row["end_s"] > true[0]["start_s"]
        ]
        tries = [
            PlantedChord(true, row, _of(row, notes), [way for way in _of(row, hand) if way["rank"] == 1])
            for row in there
        ]
        best = max(tries, key=lambda each: each.notes_found, default=PlantedChord(true, None, [], []))
        made.append(best)
        if best.chord is not None:
            free.pop(best.chord["chord_id"])
    return Chords(transfer_id, tuple(made), len(free))


def _of(chord: Row, rows: list[Row]) -> list[Row]:
    own = [row for row in rows if row["chord_id"] == chord["chord_id"] and row.get("speed_rank", 1) == 1]
    return sorted(own, key=lambda row: (row.get("rank", 1), row["note_number"]))


def _same(one: Row, other: Row) -> bool:
    return bool(abs(one["midi"] - other["midi"]) < SAME_SEMITONES)


def compare_duet(corpus: OpenCorpus, folder: Path) -> Duet:
    """Slides of both players, found against planted."""
    others = read_truth(folder, "other_slide")
    transfer_id = others["transfer_id"][0]
    of_side = f"transfer_id = '{transfer_id}'"
    own = read_truth(folder, "slide").filter(transfer_id=transfer_id).rows(named=True)
    found = corpus.view("base.slide", where=of_side)
    kept = found.filter(pl.col("slide_id").is_in(corpus.view("fact.slide")["slide_id"].implode())).rows(named=True)
    bounds = {f"transfer_{end}_s": f"transfer_audible_{end}_s" for end in ("start", "end")}
    listed = corpus.view("base.other_glide", where=of_side).rename(bounds).rows(named=True)
    theirs = others.rows(named=True)
    return Duet(
        transfer_id,
        *(len(own), len(match(own, found.rows(named=True))), len(match(own, kept))),
        *(len(theirs), len(match(theirs, listed)), len(match(theirs, kept))),
    )


def print_together(corpus: OpenCorpus, chords: Chords, duet: Duet, console: Console) -> None:
    """The story of both sides."""
    console.print("[bold]Several strings at once, by a violin alone[/bold]")
    _print_chords(corpus, chords, console)
    console.print("\n[bold]Two violins at once[/bold]")
    console.print(
        f"  {duet.transfer_id}: of the soloist's {counted(duet.own, 'planted slide')} {duet.own_found} are found and "
        f"{duet.own_counted} counted as surely hers.\n  Of the other's {duet.others} {duet.others_listed} are listed, "
        f"as the other's or as doubtful, and {duet.others_counted} counted as the soloist's."
    )


def _print_chords(corpus: OpenCorpus, found: Chords, console: Console) -> None:
    of_side = f"transfer_id = '{found.transfer_id}'"
    name = spelling(corpus.view("base.speed", where=of_side)["key"][0])
    beside = corpus.view("base.chord_fingering_match", where=of_side).sort("edition", "note_number", "time_through")
    printed = printed_words(beside.rows(named=True))
    there = [each for each in found.chords if each.chord is not None]
    planted = sum(len(each.planted) for each in found.chords)
    console.print(
        f"  {found.transfer_id}: {len(there)} of {counted(len(found.chords), 'planted chord')} are found, with "
        f"{sum(each.notes_found for each in there)} of their {planted} notes and "
        f"{sum(each.notes_besides for each in there)} others;\n  "
        f"{counted(found.besides, 'chord')} {'is' if found.besides == 1 else 'are'} claimed where none was planted."
    )
    table = Table(header_style="", pad_edge=False, box=box.SIMPLE_HEAD, padding=(0, 1))
    for head in ("time", "planted", "heard", "likeliest way", "printed: as stopped?"):
        table.add_column(head)
    for each in found.chords:
        heard, way, said = "not found", "", ""
        if each.chord is not None:
            heard = heard_words(each.chord, each.notes, name=name)
            said = printed.get(each.chord["chord_id"], "")
        if each.way:
            way = f"{_stops(each.way)} {probability_words(each.way[0]['probability'])}"
        table.add_row(clock_words(each.planted[0]["start_s"]), _planted_words(each.planted), heard, way, said)
    console.print(table)
    compared = corpus.view("summary.fingering_against_edition", where=of_side).rows(named=True)
    of_print = [in_words(short_sentences("fingering_against_edition", row))[-1] for row in compared]
    for line in (*_late_string(corpus, found, name=name), *of_print):
        console.print(Padding(Text(line), (0, 0, 0, 2)))


def _stops(notes: list[Row]) -> str:
    return " ".join(stop_words(note["string"], note["finger"]) for note in notes)


def _planted_words(notes: list[Row]) -> str:
    later = [note["later_ms"] for note in notes]
    if not any(later):
        return f"{_stops(notes)}, together"
    if later == sorted(later):
        return f"{_stops(notes)}, from below in {later[-1]} ms"
    late = max(notes, key=lambda note: note["later_ms"])
    return f"{_stops(notes)}, the {late['string']} string {late['later_ms']} ms late"


def _late_string(corpus: OpenCorpus, found: Chords, *, name: Any) -> list[str]:
    """What the hand says of a note in the middle that begins after those about it."""
    said = []
    for each in found.chords:
        if each.chord is None or each.chord["bow_rule"] != "broken":
            continue
        late = max((note for note in each.notes if note["later_ms"] is not None), key=lambda note: note["later_ms"])
        ways = corpus.view("base.chord_hand", where=f"chord_id = '{late['chord_id']}' and speed_rank = 1")
        opened = ways.filter(note_number=late["note_number"], finger=0)
        string = "no open string"
        if opened.height:
            string = f"the open {opened['string'][0]} string ({probability_words(float(opened['probability'].sum()))})"
        name_of = name(late["midi"])
        said.append(f"No bow leaves out a middle string, so the late {name_of} is on an outer one; the hand: {string}.")
    return said
