"""The page of a passage: the staff, a row for each take under it, and each place to be heard in take after take."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import __version__
from pipeline.answers.number_words import probability_words, signed
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.passages import editions, words
from pipeline.answers.passages.bars import Stretch
from pipeline.answers.passages.gather import Passage, TakeRow, gather
from pipeline.answers.sound import sound_of
from pipeline.answers.stop_words import stop_words
from pipeline.errors import GlidelineError
from pipeline.instruments import INSTRUMENTS
from pipeline.pages import render
from pipeline.pages.line import drawn_line, measured_instrument, speed_map_of, transfer_row
from pipeline.pages.pictures import Drawn
from pipeline.pages.sound import PAGE_RATE_HZ, corrected_sound, write_sound
from pipeline.pages.staff import Staff, staff
from pipeline.pages.take_row import placed, row_svg
from pipeline.store.catalogue.slugs import slug
from pipeline.store.corpus import Corpus
from pipeline.store.database.report_notice import NOTICE, tell_pages
from pipeline.store.parts.pitch import signature_of
from pipeline.store.schema.date_words import date_words

PAGE_VERSION = 5
MOST_EVENTS = 22
"""Events on one line: as many as a screen of 1400 pixels shows without scrolling."""
_BEFORE_S, _AFTER_S = 0.6, 0.9
"""Heard before a place's first note ends and after its second begins: enough to know where one is (common practice)."""
Row = dict[str, Any]


@dataclass(frozen=True)
class _Heard:
    """What is needed of a take's transfer: its line, its notes by id, and whether its sound lies beside the pages."""

    line: Drawn
    notes: dict[str, Row]
    has_sound: bool


def write_page(root: Path | str, passage: Passage) -> Path:
    """Writes the page of a passage and its sound below ``derived/report/passage``; gives the page's path."""
    corpus = Corpus(root)
    target = corpus.derived / "report"
    render.write_assets(target)
    if not (target / NOTICE).is_file():
        tell_pages(corpus.root, "")
    name = page_name(passage.work["work_id"], passage.stretch)
    heard = {t: _hear(corpus, t, target) for t in sorted({take.transfer_id for take in passage.takes})}
    systems = [_system(corpus, passage, events, heard, number) for number, events in enumerate(_systems(passage))]
    text = render.page(
        "passage.html.j2",
        root="../",
        title=f"{passage.work['title']}, {passage.stretch.name}",
        corpus_title=corpus.settings.title,
        heading=f"{passage.work['title']}, {passage.stretch.name}",
        subheading=f"Reference: {passage.reference}",
        systems=systems,
        sentences=list(words.sentences(passage)),
        groups=[line for by in ("school", "period") for line in words.by_group(passage, by) if "No place" not in line],
        students=editions.of_teachers(passage),
        editions={"heads": editions.HEADS, "lines": editions.lines(passage), "refused": editions.refused(passage)},
        caution=editions.caution(passage),
        rows=_table(passage),
        sides=sorted({t.transfer_id for t in passage.takes if (target / "side" / f"{t.transfer_id}.html").is_file()}),
        cues=render.data_block(_cues(passage, heard), element_id="cues"),
        sheet=render.data_block(_sheet(passage), element_id="sheet"),
    )
    path = target / "passage" / f"{name}.html"
    render.write_text(path, text)
    return path


def write_pages(corpus: Corpus) -> list[dict[str, str]]:
    """Writes the page of every work whose part some take fits, where it has changed; lists them for the overview."""
    target = corpus.derived / "report" / "passage"
    record = target / "made.json"
    before = _remembered(record)
    made: dict[str, str] = {}
    listed = []
    with OpenCorpus(corpus.root) as opened:
        works = opened.sql("select distinct work_id from fact.written_place_take order by work_id")["work_id"].to_list()
        for work_id in works:
            passage = gather(opened, work_id)
            if not passage.takes:
                continue
            name = page_name(work_id)
            made[name] = _key_of(corpus, passage)
            if before.get(name) != made[name] or not (target / f"{name}.html").is_file():
                write_page(corpus.root, passage)
            takes, players = len({t.take_id for t in passage.takes}), len({t.player_id for t in passage.takes})
            told = f"{takes} take{'s' * (takes != 1)}, {players} player{'s' * (players != 1)}"
            listed.append({"page": name, "title": passage.work["title"], "words": told})
    if made:
        render.write_text(record, json.dumps(made, indent=1, sort_keys=True))
    return listed


def _remembered(record: Path) -> dict[str, str]:
    """What the pages that are there were made from; nothing where the note is missing or damaged."""
    try:
        noted = json.loads(record.read_text(encoding="utf-8"))
        return {str(name): str(key) for name, key in noted.items()}
    except (OSError, ValueError, AttributeError):
        return {}


def _key_of(corpus: Corpus, passage: Passage) -> str:
    """A hash of all that the page of a passage shows."""
    own = {"work_id": passage.work["work_id"], "edition": passage.reference}
    parts = [f"{__version__}/{PAGE_VERSION}", repr(passage), repr(corpus.catalogue.rows("written_note", **own))]
    for transfer_id in sorted({take.transfer_id for take in passage.takes}):
        for path in (corpus.path(name, transfer_id) for name in ("pitch_frame", "note", "slide", "speed_curve")):
            parts.append(hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "none")
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def page_name(work_id: str, stretch: Stretch | None = None) -> str:
    """Name of the page of a passage, without its ending; of the whole part for None."""
    return work_id if stretch is None or stretch.is_whole else slug(f"{work_id}-{stretch.name}".replace("–", "-"))


def _hear(corpus: Corpus, transfer_id: str, target: Path) -> _Heard:
    place = target / "sound" / f"{transfer_id}.flac"
    curve = corpus.read("speed_curve", transfer_id)
    length_s = 1.0 if curve is None or curve.is_empty() else float(curve["transfer_time_s"].to_numpy().max())
    if not place.is_file():
        with suppress(GlidelineError, OSError):
            sound = sound_of(corpus, transfer_id)
            speed_map = speed_map_of(corpus, transfer_id, length_s=sound.samples.size / sound.sample_rate_hz)
            place.parent.mkdir(parents=True, exist_ok=True)
            made = corrected_sound(sound.samples, sample_rate_hz=sound.sample_rate_hz, speed_map=speed_map)
            write_sound(place, made, sample_rate_hz=PAGE_RATE_HZ)
    notes = corpus.read("note", transfer_id)
    return _Heard(
        drawn_line(
            corpus, transfer_id, speed_map=speed_map_of(corpus, transfer_id, length_s=length_s), with_finds=True
        ),
        {} if notes is None else {row["note_id"]: row for row in notes.to_dicts()},
        place.is_file(),
    )


def _systems(passage: Passage) -> list[list[Row]]:
    """Events in lines of whole bars."""
    lines: list[list[Row]] = [[]]
    for _, bar in groupby(passage.events, key=lambda event: event["bar_index"]):
        notes = list(bar)
        if lines[-1] and len(lines[-1]) + len(notes) > MOST_EVENTS:
            lines.append([])
        lines[-1] += notes
    return [line for line in lines if line]


def _system(
    corpus: Corpus, passage: Passage, events: list[Row], heard: Mapping[str, _Heard], number: int
) -> dict[str, Any]:
    inside = {event["event"] for event in events}
    own = {"work_id": passage.work["work_id"], "edition": passage.reference}
    key = signature_of(passage.work["key"])
    notes = [
        row | {"signature": key if row["signature"] is None else row["signature"]}
        for row in corpus.catalogue.rows("written_note", **own)
        if row["event"] in inside
    ]
    strings = _strings(corpus, passage.takes)
    drawn = staff(notes, corpus.catalogue.rows("written_way", **own), strings=strings)
    onsets = {row["event"]: row["onset"] if row["onset"] is not None else float(row["event"]) for row in notes}
    midi = (min(row["midi"] for row in notes), max(row["midi"] for row in notes))
    rows = []
    for take in passage.takes:
        if not any(step["from_event"] in inside for step in take.steps.values()):
            continue
        side = heard[take.transfer_id]
        where = placed(take, side.notes, at=drawn.at, onsets=onsets, right=drawn.width - 4)
        svg = row_svg(take, where, side.line, at=drawn.at, width=drawn.width, midi=midi)
        rows.append({"take": take, "key": _key(take), "svg": render.drawing(svg), "about": _about(take)})
    return {
        "number": number,
        "width": round(max(drawn.width, 320)),
        "own_width": round(drawn.width),
        "staff": render.drawing(drawn.svg),
        "places": list(_heads(passage, drawn, inside)),
        "rows": rows,
    }


def _strings(corpus: Corpus, takes: Iterable[TakeRow]) -> tuple[str, ...]:
    for take in takes:
        return measured_instrument(corpus, transfer_row(corpus, take.transfer_id)).strings
    return INSTRUMENTS["violin"].strings


def _key(take: TakeRow) -> str:
    return f"{take.transfer_id}.{take.time_through}"


def _about(take: TakeRow) -> str:
    return " · ".join(str(each) for each in (take.by, take.school, take.recorded and date_words(take.recorded)) if each)


def _heads(passage: Passage, drawn: Staff, inside: set[int]) -> Iterable[dict[str, Any]]:
    """For each place the head of its column: how many slid of how many, in the middle between its notes."""
    for to_event, place in passage.places.items():
        if place["from_event"] not in inside:
            continue
        left = drawn.at[place["from_event"]]
        right = drawn.at.get(to_event, drawn.width - 4)
        steps = [step for _, step in passage.outcomes(to_event)]
        slid = sum(step["outcome"] == "slid" for step in steps)
        yield {
            "event": to_event,
            "left": f"{100 * left / drawn.width:.2f}",
            "width": f"{100 * (right - left) / drawn.width:.2f}",
            "text": f"{slid}/{len(steps)}" if steps else "–",
            "label": f"{words.place_words(place)}: {words.place_counts(passage, place)}",
        }


def _cues(passage: Passage, heard: Mapping[str, _Heard]) -> dict[str, Any]:
    """What is to be played of each take, and of each place in each take that comes by: from where to where."""
    takes: dict[str, dict[str, Any]] = {}
    places: dict[str, dict[str, list[float]]] = {}
    for take in passage.takes:
        side = heard[take.transfer_id]
        times = {
            event: sorted((side.notes[step["from_note_id"]]["end_s"], side.notes[step["to_note_id"]]["start_s"]))
            for event, step in take.steps.items()
            if step["from_note_id"] in side.notes and step["to_note_id"] in side.notes
        }
        if not side.has_sound or not times:
            continue
        first, last = min(t[0] for t in times.values()), max(t[1] for t in times.values())
        takes[_key(take)] = {"side": take.transfer_id, "span": _span(first, last)}
        for event, (end_s, start_s) in times.items():
            places.setdefault(str(event), {})[_key(take)] = _span(end_s, start_s)
    return {"takes": takes, "places": places}


def _span(first_s: float, last_s: float) -> list[float]:
    return [round(max(first_s - _BEFORE_S, 0.0), 3), round(last_s + _AFTER_S, 3)]


def _table(passage: Passage) -> list[dict[str, Any]]:
    """A row for each place and take."""
    rows = []
    for to_event, place in passage.places.items():
        for take in passage.takes:
            step = take.steps.get(to_event)
            if step is None:
                continue
            rows.append(
                {
                    "place": words.place_words(place),
                    "take": take.label,
                    "outcome": step["outcome"].replace("_", " "),
                    "why": (step["reason"] or "").replace("_", " "),
                    "kind": (step["kind"] or "").replace("_", " "),
                    "ms": "" if step["duration_ms"] is None else f"{step['duration_ms']:.0f}",
                    "cents": "" if step["interval_cents"] is None else signed(step["interval_cents"]),
                    "fingers": _fingers(step),
                    "sure": "" if step["p_hand"] is None else probability_words(step["p_hand"]),
                    "slide_id": step["slide_id"],
                    "transfer_id": take.transfer_id,
                }
            )
    return rows


def _fingers(step: Row) -> str:
    if step["from_finger"] is None or step["to_finger"] is None:
        return ""
    return " to ".join(stop_words(step[f"{end}_string"], step[f"{end}_finger"]) for end in ("from", "to"))


def _sheet(passage: Passage) -> str:
    """The rows of the table as CSV, to be kept."""
    rows = [
        {"take": t.take_id, "player": t.player, "bar": passage.places[to]["bar"], "beat": passage.places[to]["beat"]}
        | step
        for t in passage.takes
        for to, step in t.steps.items()
    ]
    return pl.DataFrame(rows, infer_schema_length=None).write_csv() if rows else ""
