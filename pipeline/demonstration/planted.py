"""What was planted in the demo, as rows of ``truth/*.csv``.

``python -m pipeline.demonstration.planted`` rewrites them from the recipe.

``slide.csv``: each planted slide in transfer time, with ``in_double_stop`` where a second note sounds nearby.
``speed.csv``: the correction, averaged over the transfer, its range, wow and sudden change. ``note.csv``: the
notes with the strings, fingers and positions that played them, in true time, with ``after_shift`` where a slide from
the note before tells of a shift (a glide into a first note may be an approach without one); notes of chords are not
among them. ``chord.csv``: each note of each chord, in true time, and how long after the first it begins.
``other_slide.csv``: the slides of a second player beside the soloist, in transfer time.
"""

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import resources
from pipeline.demonstration.audio import SideRecipe, read_recipe
from pipeline.signal.synth.curve import audible_bounds
from pipeline.signal.synth.plan import Truth
from pipeline.units import hz_of_rpm, ms_of_s, ratio_of_cents

Row = dict[str, Any]


def slide_rows(side: SideRecipe, truth: Truth) -> list[Row]:
    """One row per planted slide."""
    rows = []
    for slide in truth.slides:
        plan = slide.planned
        near = (truth.transfer_time_s > slide.transfer_start_s - 0.1) & (
            truth.transfer_time_s < slide.transfer_end_s + 0.1
        )
        to_note = truth.plan.notes[plan.to_note]
        from_note = None if plan.from_note is None else truth.plan.notes[plan.from_note]
        rows.append(
            {
                "transfer_id": side.transfer_id,
                "transfer_start_s": round(slide.transfer_start_s, 4),
                "transfer_end_s": round(slide.transfer_end_s, 4),
                "transfer_audible_start_s": round(slide.transfer_audible_start_s, 4),
                "transfer_audible_end_s": round(slide.transfer_audible_end_s, 4),
                "from_midi": round(plan.from_midi, 3),
                "to_midi": round(plan.to_midi, 3),
                "step_from_midi": None if plan.step_from_midi is None else round(plan.step_from_midi, 3),
                "step_to_midi": None if plan.step_to_midi is None else round(plan.step_to_midi, 3),
                "kind": plan.kind,
                "string": to_note.string,
                "from_finger": None if from_note is None else from_note.finger,
                "to_finger": to_note.finger,
                "in_double_stop": int(bool(truth.double_stop[near].any())),
            }
        )
    return rows


def speed_row(side: SideRecipe, truth: Truth) -> Row:
    """One row per transfer."""
    slow = replace(side, wow_cents=0.0)
    drifting = truth.correction_cents if slow.wow_cents == side.wow_cents else slow.render()[1].correction_cents
    mean = float(np.mean(truth.correction_cents))
    return {
        "transfer_id": side.transfer_id,
        "offset_cents": round(mean, 2),
        "speed_ratio": round(float(ratio_of_cents(mean)), 5),
        "playing_rpm": round(side.turntable_rpm * float(ratio_of_cents(mean)), 2),
        "reference_pitch_hz": side.reference_pitch_hz,
        "key": side.key,
        "drift_range_cents": round(float(np.ptp(drifting)), 2),
        "wow_hz": round(hz_of_rpm(side.turntable_rpm), 4) if side.wow_cents else None,
        "wow_cents": side.wow_cents or None,
        "step_cents": side.step_cents or None,
        "step_transfer_s": round(_step_s(side, truth), 2) if side.step_cents else None,
    }


def _step_s(side: SideRecipe, truth: Truth) -> float:
    return float(truth.transfer_time_s[int(np.argmax(np.abs(np.diff(truth.correction_cents)))) + 1])


def note_rows(side: SideRecipe, truth: Truth) -> list[Row]:
    """One row per note, ornaments included."""
    after_shift = {slide.planned.to_note for slide in truth.slides if slide.planned.from_note is not None}
    return [
        {
            "transfer_id": side.transfer_id,
            "start_s": round(note.start_s, 3),
            "end_s": round(note.end_s, 3),
            "midi": round(note.midi, 2),
            "string": note.string,
            "finger": note.finger,
            "position": note.position,
            "ornament": note.ornament,
            "after_shift": int(i in after_shift),
        }
        for i, note in enumerate(truth.plan.notes)
        if note.finger is not None
    ]


def chord_rows(side: SideRecipe) -> list[Row]:
    """One row per note of a chord, lowest first."""
    return [
        {
            "transfer_id": side.transfer_id,
            "start_s": round(chord.start_s, 3),
            "end_s": round(chord.end_s, 3),
            "note_number": number,
            "midi": midi,
            "string": string,
            "finger": finger,
            "later_ms": round(ms_of_s(later_s)),
        }
        for chord in (side.score.chords() if side.score else ())
        for number, (midi, (string, finger), later_s) in enumerate(
            zip(chord.event.midi, chord.event.stops, chord.event.starts_s, strict=True), start=1
        )
    ]


def other_slide_rows(side: SideRecipe, truth: Truth) -> list[Row]:
    """One row per slide of the other player."""
    if side.other is None:
        return []
    rows = []
    for slide in side.plans()[1].slides:
        start_s, end_s = np.interp(audible_bounds(slide), truth.true_time_s, truth.transfer_time_s)
        rows.append(
            {
                "transfer_id": side.transfer_id,
                "transfer_audible_start_s": round(float(start_s), 4),
                "transfer_audible_end_s": round(float(end_s), 4),
                "from_midi": round(slide.from_midi, 3),
                "to_midi": round(slide.to_midi, 3),
                "kind": slide.kind,
            }
        )
    return rows


def write_truth(folder: Path) -> None:
    """Write ``truth/*.csv`` of the corpus in ``folder`` from its recipe."""
    rows: dict[str, list[Row]] = {name: [] for name in ("slide", "speed", "note", "chord", "other_slide")}
    for side in read_recipe(folder / "recipe.toml").sides:
        _, truth = side.render()
        rows["slide"] += slide_rows(side, truth)
        rows["speed"].append(speed_row(side, truth))
        rows["note"] += note_rows(side, truth)
        rows["chord"] += chord_rows(side)
        rows["other_slide"] += other_slide_rows(side, truth)
    for name, made in rows.items():
        with (folder / "truth" / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(made[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(made)


if __name__ == "__main__":
    write_truth(resources.folder("demo_corpus"))
