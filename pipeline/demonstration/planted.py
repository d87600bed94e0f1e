"""What was planted in the demo, as rows of ``truth/*.csv``.

``python -m pipeline.demonstration.planted`` rewrites them from the recipe.

``slide.csv``: each planted slide in transfer time, with ``in_double_stop`` where a second note sounds nearby.
``speed.csv``: the correction, averaged over the transfer, its range, wow and sudden change. ``note.csv``: the
notes with the strings, fingers and positions that played them, in true time, with ``after_shift`` where a slide from
the note before tells of a shift (a glide into a first note may be an approach without one).
"""

import csv
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import resources
from pipeline.demonstration.audio import SideRecipe, read_recipe
from pipeline.signal.synth.plan import Truth
from pipeline.units import hz_of_rpm, ratio_of_cents

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
    slow = SideRecipe(**{**side.__dict__, "wow_cents": 0.0})
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
    ]


def write_truth(folder: Path) -> None:
    """Write ``truth/*.csv`` of the corpus in ``folder`` from its recipe."""
    slides, speeds, notes = [], [], []
    for side in read_recipe(folder / "recipe.toml").sides:
        _, truth = side.render()
        slides += slide_rows(side, truth)
        speeds.append(speed_row(side, truth))
        notes += note_rows(side, truth)
    for name, rows in (("slide", slides), ("speed", speeds), ("note", notes)):
        with (folder / "truth" / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)


if __name__ == "__main__":
    write_truth(resources.folder("demo_corpus"))
