"""Pitch line, notes and slides of one transfer as a JAMS annotation (JSON Annotated Music Specification 0.3).

Times are transfer time, so that they fit the audio file as it lies in the archive. The slide's measurements,
for which the specification has no namespace, stand in the annotation's sandbox, one entry for each observation.
"""

import math
from collections.abc import Mapping
from typing import Any

import polars as pl

JAMS_VERSION = "0.3.4"
TOOL = "glideline"
_LINE = "Frequency of the solo line in the transfer as it plays, before speed correction."
_NOTES = "Fractional MIDI number after speed correction; 69 is A4 at the take's reference pitch."
_SLIDES = "Audible bounds: where 10 and 90 % of the interval are passed."
_Observation = tuple[float, float, Any, float | None]  # time, duration, value, confidence


def jams(
    *,
    facts: Mapping[str, str],
    length_s: float,
    version: str,
    pitch: pl.DataFrame | None,
    notes: pl.DataFrame,
    slides: pl.DataFrame,
) -> dict[str, Any]:
    """One JAMS document.

    Parameters
    ----------
    facts : title, artist and release of the file, where known.
    length_s : length of the transfer in s.
    version : version of the program that measured.
    pitch : rows of ``pitch_frame``; None leaves the pitch line out.
    notes, slides : rows of ``note`` and ``slide`` of this transfer.
    """
    made: dict[str, Any] = {"length_s": length_s, "version": version}
    annotations = [] if pitch is None else [_annotation("pitch_contour", _line(pitch), rules=_LINE, **made)]
    annotations.append(_annotation("note_midi", _notes(notes), rules=_NOTES, **made))
    annotations.append(_annotation("tag_open", _slides(slides), rules=_SLIDES, **made))
    annotations[-1]["sandbox"] = {"slides": [_plain(row) for row in slides.iter_rows(named=True)]}
    return {
        "file_metadata": {
            "title": facts.get("title", ""),
            "artist": facts.get("artist", ""),
            "release": facts.get("release", ""),
            "duration": length_s,
            "identifiers": {},
            "jams_version": JAMS_VERSION,
        },
        "annotations": annotations,
        "sandbox": {},
    }


def _line(pitch: pl.DataFrame) -> list[_Observation]:
    step_s = float(pitch["transfer_time_s"].diff().median() or 0.0)  # type: ignore[arg-type]
    return [
        (
            row["transfer_time_s"],
            step_s,
            {"index": 0, "frequency": row["f0_hz"], "voiced": row["voiced_probability"] >= 0.5},
            row["confidence"],
        )
        for row in pitch.drop_nulls("f0_hz").iter_rows(named=True)
    ]


def _notes(notes: pl.DataFrame) -> list[_Observation]:
    return [
        (row["transfer_start_s"], row["transfer_end_s"] - row["transfer_start_s"], row["midi"], row["confidence"])
        for row in notes.iter_rows(named=True)
    ]


def _slides(slides: pl.DataFrame) -> list[_Observation]:
    return [
        (
            row["transfer_audible_start_s"],
            row["transfer_audible_end_s"] - row["transfer_audible_start_s"],
            f"slide: {row['kind']}",
            row["confidence"],
        )
        for row in slides.iter_rows(named=True)
    ]


def _annotation(
    namespace: str,
    data: list[_Observation],
    *,
    length_s: float,
    version: str,
    rules: str,
) -> dict[str, Any]:
    return {
        "namespace": namespace,
        "data": [
            {"time": max(time, 0.0), "duration": max(duration, 0.0), "value": value, "confidence": confidence}
            for time, duration, value, confidence in data
        ],
        "annotation_metadata": {
            "curator": {"name": "", "email": ""},
            "annotator": {},
            "version": version,
            "corpus": "",
            "annotation_tools": f"{TOOL} {version}",
            "annotation_rules": rules,
            "validation": "",
            "data_source": "program",
        },
        "sandbox": {},
        "time": 0.0,
        "duration": length_s,
    }


def _plain(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value for name, value in row.items()
    }
