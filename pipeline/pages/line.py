"""The pitch line of a transfer in corrected time and pitch, ready to draw."""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.answers.note_names import spelling_of
from pipeline.errors import DataError
from pipeline.instruments import INSTRUMENTS, Instrument
from pipeline.pages.chords import chord_curves
from pipeline.pages.pictures import Drawn
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.store.catalogue.recording import instrument_of, takes_on
from pipeline.store.corpus import Corpus
from pipeline.units import Floats, midi_of_hz

# Where no speed has been measured, pitch is named at the pitch of ISO 16.
UNMEASURED_REFERENCE_HZ = 440.0

# Outside notes and slides the line is left out where it is less likely than this to be a pitch at all.
_LEAST_VOICED = 0.3
# A second player's line is drawn where its pitch is more likely right than wrong.
_LEAST_OTHER = 0.5


def transfer_row(corpus: Corpus, transfer_id: str) -> Any:
    """The catalogue's row; DataError if there is none."""
    transfer = corpus.catalogue.row("transfer", transfer_id)
    if transfer is None:
        raise DataError(f"catalogue/transfer.csv: there is no transfer {transfer_id!r}")
    return transfer


def speed_map_of(corpus: Corpus, transfer_id: str, *, length_s: float) -> SpeedMap:
    """The correction of a transfer, or none over ``length_s`` where its speed has not been measured."""
    curve = corpus.read("speed_curve", transfer_id)
    if curve is None or curve.is_empty():
        return SpeedMap.identity(max(length_s, 0.01))
    return SpeedMap(curve["transfer_time_s"].to_numpy(), curve["correction_cents"].to_numpy())


def reference_pitch_hz(corpus: Corpus, transfer_id: str) -> float:
    """Reference pitch of the transfer's take, as its speed was settled with."""
    speed = corpus.read("speed", transfer_id)
    return UNMEASURED_REFERENCE_HZ if speed is None or speed.is_empty() else float(speed["reference_pitch_hz"][0])


def measured_instrument(corpus: Corpus, transfer: Any) -> Instrument:
    """The solo instrument that the side was measured as; before that, the catalogue's, else a violin."""
    melody = corpus.read("melody", transfer["transfer_id"])
    if melody is not None and melody.height:
        return INSTRUMENTS[melody["instrument"][0]]
    takes = takes_on(corpus.catalogue, transfer["side_id"])
    return INSTRUMENTS[instrument_of(corpus.catalogue, [take["take_id"] for take in takes]) or "violin"]


def drawn_line(corpus: Corpus, transfer_id: str, *, speed_map: SpeedMap, with_finds: bool) -> Drawn:
    """Pitch line and open strings of a transfer, if its instrument is told; notes and slides too if ``with_finds``."""
    instrument = measured_instrument(corpus, transfer_row(corpus, transfer_id))
    melody = corpus.read("melody", transfer_id)
    told = melody is None or "not_told" not in melody["instrument_source"]
    line = corpus.read("pitch_frame", transfer_id)
    time_s = np.empty(0) if line is None else line["transfer_time_s"].to_numpy()
    raw_hz = np.empty(0) if line is None else line["f0_hz"].fill_null(np.nan).to_numpy()
    notes = _rows(corpus.read("note", transfer_id), "start_s") if with_finds else []
    slides = _rows(corpus.read("slide", transfer_id), "start_s") if with_finds else []
    if with_finds and line is not None:
        doubtful = line["voiced_probability"].fill_null(0.0).to_numpy() < _LEAST_VOICED
        raw_hz = np.where(doubtful & ~_inside(time_s, [*notes, *slides]), np.nan, raw_hz)

    def midi(hz: Floats, at_s: Floats) -> Floats:
        true_hz = speed_map.true_hz(hz, transfer_s=at_s)
        return np.asarray(midi_of_hz(true_hz, reference_pitch_hz=reference_pitch_hz(corpus, transfer_id)))

    beside = corpus.read("other_frame", transfer_id) if with_finds else None
    other = None
    if beside is not None and beside.height:
        beside_s = beside["transfer_time_s"].to_numpy()
        trusted = pl.when(pl.col("confidence") >= _LEAST_OTHER).then("f0_hz").fill_null(np.nan)
        other = speed_map.to_true_s(beside_s), midi(beside.select(trusted).to_series().to_numpy(), beside_s)
    return Drawn(
        line_s=speed_map.to_true_s(time_s),
        line_midi=midi(raw_hz, time_s),
        other=other,
        notes=notes,
        slides=slides,
        strings=list(zip(instrument.strings, instrument.open_midi, strict=True)) if told else [],
        hands=_hands(corpus.read("note_hand", transfer_id)) if with_finds else {},
        chords=chord_curves(corpus, transfer_id, speed_map=speed_map) if with_finds else (),
        name=spelling_of(corpus, transfer_id),
    )


def _inside(time_s: Floats, spans: Iterable[Mapping[str, Any]]) -> npt.NDArray[np.bool_]:
    """Which transfer times lie in any of the spans, shape (n,)."""
    inside = np.zeros(time_s.size, dtype=bool)
    for span in spans:
        first, last = np.searchsorted(time_s, [span["transfer_start_s"], span["transfer_end_s"]])
        inside[first:last] = True
    return inside


def _hands(frame: pl.DataFrame | None) -> dict[str, Any]:
    """The likeliest hand of each note under the speed used, where it can be told."""
    if frame is None:
        return {}
    told = frame.filter(
        (pl.col("speed_rank") == 1) & (pl.col("rank") == 1) & ~pl.col("cannot_tell") & pl.col("string").is_not_null()
    )
    return {row["note_id"]: row for row in told.to_dicts()}


def _rows(frame: pl.DataFrame | None, order: str) -> list[Any]:
    return [] if frame is None else frame.sort(order).to_dicts()
