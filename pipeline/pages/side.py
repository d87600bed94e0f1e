"""The page of one side: what it is, its speed and why, the pitch line, and every slide to look at and hear."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.errors import DataError
from pipeline.pages import pictures, side_facts
from pipeline.pages.render import drawing, page, write_text
from pipeline.pages.sound import PAGE_RATE_HZ, Samples, corrected_sound, excerpt, slowed, write_mp3
from pipeline.signal.correct import SpeedMap
from pipeline.signal.instruments import INSTRUMENTS
from pipeline.steps.base import Sound
from pipeline.store.corpus import Corpus
from pipeline.units import midi_of_hz

PAGE_TABLES = (
    *("pitch_frame", "speed", "speed_curve", "speed_alternative", "note", "transition", "slide", "slide_hand"),
    *("solo_span", "run"),
)

_AROUND_S = 0.35
_GAP_S = 0.2


@dataclass(frozen=True)
class Neighbours:
    """The sides before and after in the report's order."""

    before: str | None
    after: str | None


def write_side(
    corpus: Corpus,
    transfer_id: str,
    *,
    target: Path,
    neighbours: Neighbours,
    verdicts: Mapping[str, str],
    sound: Sound,
) -> Path:
    """Write the page and the sound of one transfer below ``target``; gives the page's path.

    ``verdicts`` holds, by slide id, what listeners said.
    """
    transfer = corpus.catalogue.row("transfer", transfer_id)
    if transfer is None:
        raise DataError(f"catalogue/transfer.csv: there is no transfer {transfer_id!r}")
    tables = {name: corpus.read(name, transfer_id) for name in PAGE_TABLES}
    speed = _first(tables["speed"])
    curve = tables["speed_curve"]
    speed_map = (
        SpeedMap(curve["transfer_time_s"].to_numpy(), curve["correction_cents"].to_numpy())
        if curve is not None and curve.height
        else SpeedMap.identity(max(sound.samples.size / sound.sample_rate_hz, 0.01))
    )
    heard = corrected_sound(sound.samples, sample_rate_hz=sound.sample_rate_hz, speed_map=speed_map)
    reference_pitch_hz = speed["reference_pitch_hz"] if speed else 440.0
    drawn = _drawn(corpus, transfer, tables, speed_map=speed_map, reference_pitch_hz=reference_pitch_hz)
    found = [note["midi"] for note in drawn.notes]
    frame = pictures.frame_of(np.array(found), open_midi=[midi for _, midi in drawn.strings])
    grey = pictures.picture(heard, frame=frame, reference_pitch_hz=reference_pitch_hz)
    rows = pictures.rows(grey, frame=frame, drawn=drawn, length_s=heard.size / PAGE_RATE_HZ)
    for row in rows:
        row["symbol"], row["labels"] = drawing(row["symbol"]), drawing(row["labels"])

    (target / "sound").mkdir(parents=True, exist_ok=True)
    write_mp3(target / "sound" / f"{transfer_id}.mp3", heard)
    cards = _cards(tables, drawn, frame, verdicts)
    reel = _slow_reel(heard, cards, drawn.slides)
    if reel is not None:
        write_mp3(target / "sound" / f"{transfer_id}-slow.mp3", reel)

    title, second = side_facts.heading(corpus.catalogue, transfer)
    exposure = side_facts.exposure_words(tables["solo_span"], len(cards), side_facts.chances(tables["transition"]))
    text = page(
        "side.html.j2",
        root="../",
        title=title,
        corpus_title=corpus.settings.title,
        heading=title,
        subheading=second,
        before=neighbours.before,
        after=neighbours.after,
        transfer_id=transfer_id,
        doubts=_doubts(tables, speed),
        facts=side_facts.recording_facts(corpus.catalogue, transfer),
        speed_words=side_facts.speed_words(speed),
        speed_picture=_speed_picture(corpus, transfer_id),
        alternatives=_alternatives(tables["speed_alternative"]),
        sound=True,
        slow=reel is not None,
        rows=rows,
        slides_heading=exposure,
        no_slides="No slide was found here. That is a result, not a gap.",
        slides=cards,
        runs=_rows(tables["run"]),
    )
    path = target / "side" / f"{transfer_id}.html"
    write_text(path, text)
    return path


def _rows(frame: pl.DataFrame | None) -> list[dict[str, Any]]:
    return [] if frame is None else frame.to_dicts()


def _first(frame: pl.DataFrame | None) -> dict[str, Any] | None:
    return next(iter(_rows(frame)), None)


def _drawn(
    corpus: Corpus, transfer: Any, tables: Any, *, speed_map: SpeedMap, reference_pitch_hz: float
) -> pictures.Drawn:
    line = tables["pitch_frame"]
    time_s = line["transfer_time_s"].to_numpy() if line is not None else np.empty(0)
    hz = line["f0_hz"].fill_null(np.nan).to_numpy() if line is not None else np.empty(0)
    true_hz = speed_map.true_hz(hz, transfer_s=time_s)
    instruments = {
        performance["instrument"]
        for take in side_facts.takes_of(corpus.catalogue, transfer["side_id"])
        for performance in corpus.catalogue.rows("performance", take_id=take["take_id"])
    }
    instrument = INSTRUMENTS[next((name for name in INSTRUMENTS if name in instruments), "violin")]
    return pictures.Drawn(
        line_s=speed_map.to_true_s(time_s),
        line_midi=midi_of_hz(true_hz, reference_pitch_hz=reference_pitch_hz),
        notes=list(_rows(tables["note"])),
        slides=sorted(_rows(tables["slide"]), key=lambda slide: slide["start_s"]),
        strings=list(zip(instrument.strings, instrument.open_midi, strict=True)),
    )


def _cards(
    tables: Any, drawn: pictures.Drawn, frame: pictures.Frame, verdicts: Mapping[str, str]
) -> list[dict[str, Any]]:
    hands: dict[str, list[dict[str, Any]]] = {}
    for hand in _rows(tables["slide_hand"]):
        if hand["rank"] <= 3 and hand.get("speed_rank", 1) in (None, 1):
            hands.setdefault(hand["slide_id"], []).append(hand)
    cards: list[dict[str, Any]] = []
    for number, slide in enumerate(drawn.slides, start=1):
        cards.append(
            {
                "id": slide["slide_id"],
                **side_facts.slide_words(slide, number=number, hands=hands.get(slide["slide_id"], ())),
                "row": pictures.row_of(slide["start_s"]),
                "window": pictures.zoom_window(slide, frame=frame),
                "from_s": f"{max(0.0, slide['start_s'] - _AROUND_S):.3f}",
                "to_s": f"{slide['end_s'] + _AROUND_S:.3f}",
                "verdict": verdicts.get(slide["slide_id"], ""),
            }
        )
    return cards


def _slow_reel(heard: Samples, cards: list[dict[str, Any]], slides: list[Any]) -> Samples | None:
    """All slides at half and at quarter speed, one after the other; writes their places into the cards."""
    parts: list[Samples] = []
    at = 0
    gap = np.zeros(round(_GAP_S * PAGE_RATE_HZ), dtype=np.float32)
    for card, slide in zip(cards, slides, strict=True):
        cut = excerpt(heard, start_s=slide["start_s"] - _AROUND_S, end_s=slide["end_s"] + _AROUND_S)
        for name, rate in (("half", 0.5), ("quarter", 0.25)):
            slow = slowed(cut, rate=rate)
            card[f"{name}_from_s"] = f"{at / PAGE_RATE_HZ:.3f}"
            card[f"{name}_to_s"] = f"{(at + slow.size) / PAGE_RATE_HZ:.3f}"
            parts += [slow, gap]
            at += slow.size + gap.size
    return np.concatenate(parts) if parts else None


def _alternatives(frame: pl.DataFrame | None) -> list[dict[str, Any]]:
    return [
        {
            "rank": row["rank"],
            "rpm": "" if row["playing_rpm"] is None else f"{row['playing_rpm']:.2f}",
            "reference": f"{row['reference_pitch_hz']:.1f}",
            "key": row["key"] or "",
            "probability": f"{row['probability']:.0%}",
            "reason": row["reason"] or "",
        }
        for row in _rows(frame)
    ]


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


def _speed_picture(corpus: Corpus, transfer_id: str) -> Any:
    return None
