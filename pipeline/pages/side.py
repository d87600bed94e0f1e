"""The page of one side: what it is, its speed and why, the pitch line, and every slide to look at and hear."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.answers.chords import chord_lines
from pipeline.pages import pictures, side_facts
from pipeline.pages.chord_sound import chord_sounds
from pipeline.pages.chords import ChordCurve
from pipeline.pages.labels import card_labels, row_labels
from pipeline.pages.line import drawn_line, reference_pitch_hz, speed_map_of, transfer_row
from pipeline.pages.passage import page_name
from pipeline.pages.recovery_picture import recovery_picture
from pipeline.pages.render import data_block, drawing, page, write_text
from pipeline.pages.sound import PAGE_RATE_HZ, SLOW_RATE_HZ, Samples, corrected_sound, excerpt, slowed, write_sound
from pipeline.pages.speed_picture import speed_picture
from pipeline.pages.written_over import Over, over
from pipeline.steps.base import Sound
from pipeline.steps.words import DOES
from pipeline.store.corpus import Corpus
from pipeline.store.parts.where import place_words, written_places

PAGE_TABLES = (
    *(
        "pitch_frame",
        "speed",
        "speed_curve",
        "speed_alternative",
        "note",
        "transition",
        "slide",
        "slide_hand",
        "recovery",
        "chord",
        "chord_note",
        "chord_hand",
        "other_frame",
        "other_glide",
    ),
    *("note_hand", "solo_span", "run", "written_match", "fingering_match", "chord_fingering_match", "sound", "melody"),
)

# Readings of the speed less likely than this are folded away.
_FAINT = 0.01
_AROUND_S = 0.35
# Slowed down, a quarter of a second of surroundings is long enough to hear where a slide begins and ends.
_AROUND_SLOW_S = 0.25
_GAP_S = 0.2


@dataclass(frozen=True)
class Neighbours:
    """The sides before and after in the report's order."""

    before: str | None
    after: str | None


@dataclass(frozen=True)
class Heard:
    """What listeners said of a transfer's slides: in words by slide id, and how many they take away."""

    words: Mapping[str, str] = field(default_factory=dict)
    rejected: int = 0


def write_side(
    corpus: Corpus,
    transfer_id: str,
    *,
    target: Path,
    neighbours: Neighbours,
    by_ear: Heard,
    sound: Sound,
) -> Path:
    """Write the page and the sound of one transfer below ``target``; gives the page's path."""
    transfer = transfer_row(corpus, transfer_id)
    tables = {name: corpus.read(name, transfer_id) for name in PAGE_TABLES}
    speed_map = speed_map_of(corpus, transfer_id, length_s=sound.samples.size / sound.sample_rate_hz)
    heard = corrected_sound(sound.samples, sample_rate_hz=sound.sample_rate_hz, speed_map=speed_map)
    reference_hz = reference_pitch_hz(corpus, transfer_id)
    drawn = drawn_line(corpus, transfer_id, speed_map=speed_map, with_finds=True)
    found = [note["midi"] for note in drawn.notes] or drawn.line_midi
    frame = pictures.frame_of(np.array(found), open_midi=[midi for _, midi in drawn.strings])
    places = written_places(corpus, transfer_id)
    above = over(corpus, transfer, notes=drawn.notes, places=places, spans=tables["solo_span"])
    cards = _cards(tables, drawn, frame, by_ear.words, places, above)
    chords = chord_lines(tables, name=drawn.name, printed=above.chords)
    reel = _Reel()
    _slow_slides(reel, heard, cards, drawn.slides)
    _slow_chords(reel, heard, chords, drawn.chords, reference_hz)
    _write_sounds(target / "sound", transfer_id, heard, reel)

    chances = side_facts.chances(tables["transition"])
    text = page(
        "side.html.j2",
        root="../",
        corpus_title=corpus.settings.title,
        before=neighbours.before,
        after=neighbours.after,
        transfer_id=transfer_id,
        **_words(corpus, transfer, tables),
        sound=True,
        slow=bool(reel.parts),
        over=above,
        cues=data_block(_cues(drawn, frame), element_id="cues"),
        rows=_picture_rows(heard, frame, drawn, above, reference_hz),
        slides_heading=side_facts.exposure_words(tables["solo_span"], len(cards), chances, rejected=by_ear.rejected),
        slides=cards,
        others=side_facts.other_glides(tables["other_glide"], name=drawn.name),
        beside=drawn.other is not None,
        chords=chords,
        runs=_runs(tables["run"]),
    )
    path = target / "side" / f"{transfer_id}.html"
    write_text(path, text)
    return path


def _words(corpus: Corpus, transfer: Mapping[str, Any], tables: Mapping[str, Any]) -> dict[str, Any]:
    """What the page says of the recording and its speed, and the pictures of what was measured of the whole."""
    title, second = side_facts.heading(corpus.catalogue, transfer)
    speed = _first(tables["speed"])
    return {
        "title": title,
        "heading": title,
        "subheading": second,
        "doubts": _doubts(tables, speed),
        "facts": [
            *side_facts.recording_facts(corpus.catalogue, transfer),
            *side_facts.sound_facts(tables["sound"], tables["melody"]),
        ],
        "speed_words": side_facts.speed_words(speed),
        "speed_picture": drawing(speed_picture(corpus, transfer["transfer_id"]) or ""),
        "alternatives": _alternatives(tables["speed_alternative"]),
        "approaches": side_facts.approaches_words(tables["note"]),
        "left_out": side_facts.left_out(tables["solo_span"]),
        "no_slides": side_facts.no_slides_words(tables["solo_span"]),
        "recovery_picture": drawing(recovery_picture(tables["recovery"]) or ""),
    }


def _picture_rows(
    heard: Samples, frame: pictures.Frame, drawn: pictures.Drawn, above: Over, reference_hz: float
) -> list[dict[str, Any]]:
    """The picture of the side in rows like lines of music, with what is written over each."""
    grey = pictures.picture(heard, frame=frame, reference_pitch_hz=reference_hz)
    rows = pictures.rows(grey, frame=frame, drawn=drawn, length_s=heard.size / PAGE_RATE_HZ)
    for row in rows:
        row["labels"] = drawing(row_labels(frame=frame, drawn=drawn, over=above, start_s=row["start_s"]))
        row["symbol"] = drawing(row["symbol"])
    return rows


def _rows(frame: pl.DataFrame | None) -> list[dict[str, Any]]:
    return [] if frame is None else frame.to_dicts()


def _first(frame: pl.DataFrame | None) -> dict[str, Any] | None:
    return next(iter(_rows(frame)), None)


def _cues(drawn: pictures.Drawn, frame: pictures.Frame) -> dict[str, Any]:
    """What a click in the picture may mean: notes and slides with bounds in s and height in the picture."""
    notes = [[round(n["start_s"], 3), round(n["end_s"], 3), round(float(frame.y(n["midi"])), 1)] for n in drawn.notes]
    slides = [[round(s["start_s"], 3), round(s["end_s"], 3)] for s in drawn.slides]
    return {"per_s": pictures.PIXELS_PER_S, "row_s": pictures.ROW_S, "notes": notes, "slides": slides}


def _cards(
    tables: Any,
    drawn: pictures.Drawn,
    frame: pictures.Frame,
    verdicts: Mapping[str, str],
    places: Mapping[str, dict[str, Any]],
    above: Over,
) -> list[dict[str, Any]]:
    hands: dict[str, list[dict[str, Any]]] = {}
    for hand in _rows(tables["slide_hand"]):
        if hand["rank"] <= 3 and hand.get("speed_rank", 1) in (None, 1):
            hands.setdefault(hand["slide_id"], []).append(hand)
    cards: list[dict[str, Any]] = []
    for number, slide in enumerate(drawn.slides, start=1):
        window = pictures.zoom_window(slide, frame=frame)
        place = places.get(slide["from_note_id"]) or places.get(slide["to_note_id"])
        cards.append(
            {
                "id": slide["slide_id"],
                **side_facts.slide_words(slide, number=number, hands=hands.get(slide["slide_id"], ()), name=drawn.name),
                "row": pictures.row_of(slide["start_s"]),
                "window": window,
                "labels": drawing(card_labels(slide, frame=frame, drawn=drawn, window=window)),
                "player": above.player_at(slide["start_s"]),
                "left_out": above.left_out_at(slide["start_s"]),
                "from_s": f"{max(0.0, slide['start_s'] - _AROUND_S):.3f}",
                "to_s": f"{slide['end_s'] + _AROUND_S:.3f}",
                "verdict": verdicts.get(slide["slide_id"], ""),
                "place": "" if place is None else f"{place_words(place)} of the written part ({place['edition']})",
                "passage": "" if place is None else page_name(place["work_id"]),
            }
        )
    return cards


class _Reel:
    """Slow excerpts one after the other, at ``SLOW_RATE_HZ``."""

    def __init__(self) -> None:
        self.parts: list[Samples] = []
        self.at = 0

    def add(self, slow: Samples) -> tuple[str, str]:
        """Put an excerpt at the end; gives from when to when it sounds, in s."""
        gap = np.zeros(round(_GAP_S * SLOW_RATE_HZ), dtype=np.float32)
        start, self.at = self.at, self.at + slow.size + gap.size
        self.parts += [slow, gap]
        return f"{start / SLOW_RATE_HZ:.3f}", f"{(start + slow.size) / SLOW_RATE_HZ:.3f}"


def _write_sounds(folder: Path, transfer_id: str, heard: Samples, reel: _Reel) -> None:
    """The whole side, and what of it is slowed."""
    folder.mkdir(parents=True, exist_ok=True)
    write_sound(folder / f"{transfer_id}.flac", heard, sample_rate_hz=PAGE_RATE_HZ)
    if reel.parts:
        write_sound(folder / f"{transfer_id}-slow.flac", np.concatenate(reel.parts), sample_rate_hz=SLOW_RATE_HZ)


def _slow_slides(reel: _Reel, heard: Samples, cards: list[dict[str, Any]], slides: list[Any]) -> None:
    """All slides at half and at quarter speed; writes their places into the cards."""
    for card, slide in zip(cards, slides, strict=True):
        start_s = max(0.0, slide["start_s"] - _AROUND_SLOW_S)
        card["slow_at_s"] = f"{start_s:.3f}"
        cut = excerpt(heard, start_s=start_s, end_s=slide["end_s"] + _AROUND_SLOW_S)
        for name, slow in zip(("half", "quarter"), slowed(cut, rates=(0.5, 0.25)), strict=True):
            card[f"{name}_from_s"], card[f"{name}_to_s"] = reel.add(slow)


def _slow_chords(
    reel: _Reel, heard: Samples, chords: list[dict[str, Any]], curves: Sequence[ChordCurve], reference_hz: float
) -> None:
    """The beginning of each chord at quarter speed, whole and note by note; writes their places into the lines."""
    sounds = chord_sounds(heard, curves, reference_pitch_hz=reference_hz)
    for chord in chords:
        chord["heard_alone"] = []
        sound = sounds.get(chord["id"])
        if sound is None:
            continue
        chord["slow_at_s"] = f"{sound.start_s:.3f}"
        parts = [("all", sound.whole)]
        parts += [(name, sound.notes[number]) for number, name in enumerate(chord["names"], 1) if number in sound.notes]
        chord["heard_alone"] = [(word, *reel.add(slowed(part, rates=(0.25,))[0])) for word, part in parts]


def _alternatives(frame: pl.DataFrame | None) -> list[dict[str, Any]]:
    """Readings of the speed; the first of the unlikely ones, which are folded away, says how many they are."""
    readings = _rows(frame)
    faint = [row["rank"] for row in readings if row["probability"] < _FAINT and row["rank"] > 1]
    return [
        {
            "faint": f"{len(faint)} readings of less than 1 % each" if row["rank"] == min(faint, default=0) else "",
            "rank": row["rank"],
            "rpm": "" if row["playing_rpm"] is None else f"{row['playing_rpm']:.2f}",
            "reference": f"{row['reference_pitch_hz']:.1f}",
            "key": row["key"] or "",
            "probability": side_facts.share(row["probability"]),
            "reason": row["reason"] or "",
        }
        for row in readings
    ]


def _runs(frame: pl.DataFrame | None) -> list[dict[str, Any]]:
    """What each step did, in the order in which they ran."""
    rows = sorted(_rows(frame), key=lambda row: list(DOES).index(row["step"]))
    return [{**row, "words": DOES[row["step"]]} for row in rows]


def _doubts(tables: Any, speed: dict[str, Any] | None) -> list[str]:
    doubts = []
    if speed is None:
        doubts.append("This side could not be measured; the steps below say why.")
    elif speed["state"] == "ambiguous":
        doubts.append(
            "The speed of this side is ambiguous. Intervals in cents stand; pitches, strings, fingers and counts "
            "per minute rest on the likeliest reading."
        )
    doubts += [f"{run['step']}: {run['message']}" for run in _rows(tables["run"]) if run["outcome"] == "failed"]
    return doubts
