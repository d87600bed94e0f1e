"""The step chords: a broken chord and a double stop on a transfer that runs fast, as rows of its tables."""

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.settings import ChordsSettings
from pipeline.signal.chords.grid import RATE_HZ
from pipeline.signal.synth.voice import random_voice
from pipeline.steps.base import Sound, StepInput, StepOutput
from pipeline.steps.chords.step import STEP
from pipeline.store import schema
from pipeline.training.chord_scenes import render_notes
from tests.helpers.bowed_notes import bowed

TRANSFER = "aa-1-t1"
FAST_CENTS = 60.0
NOTE = bowed(0.0, string=0, start_s=0.6, end_s=1.8)
BROKEN, DOUBLE = (57, 66, 74), (62, 71)


def given(*, solo: bool, alone: bool = True) -> StepInput:
    """A transfer 60 cents sharp with a chord broken in steps of 70 ms at 0.6 s and a double stop at 2.2 s."""
    rng = np.random.default_rng(4)
    chord = [replace(NOTE, midi=m + FAST_CENTS / 100, string=i, start_s=0.6 + 0.07 * i) for i, m in enumerate(BROKEN)]
    later = replace(NOTE, start_s=2.2, end_s=3.2, rings_s=3.2)
    double = [replace(later, midi=m + FAST_CENTS / 100, string=i) for i, m in enumerate(DOUBLE)]
    voice = random_voice(rng, instrument="violin")
    sound, _ = render_notes(rng, (*chord, *double), voice=voice, length_s=4.0)
    sound += rng.normal(0.0, 0.003, sound.size).astype(np.float32)
    spans = pl.DataFrame(
        {
            "take_id": ["t"],
            "transfer_start_s": [0.0],
            "transfer_end_s": [4.0],
            "content": ["solo" if solo else "speech"],
        }
    )
    line = {"note_id": ["aa-1-t1-n2200"], "transfer_start_s": [2.2], "transfer_end_s": [3.2], "midi": [71.02]}
    tables = {
        "note": pl.DataFrame(line),
        "melody": pl.DataFrame({"instrument": ["violin"]}),
        "speed": pl.DataFrame({"reference_pitch_hz": [440.0]}),
        "speed_curve": pl.DataFrame({"transfer_time_s": [0.0, 4.0], "correction_cents": [-FAST_CENTS] * 2}),
        "solo_span": spans,
    }
    unaccompanied = ["t"] if alone else []
    facts: dict[str, Any] = {"instrument": "violin", "takes": {}, "one_bow": True, "unaccompanied": unaccompanied}
    return StepInput(TRANSFER, facts, ChordsSettings(), {TRANSFER: tables}, lambda _: Sound(sound, RATE_HZ))


@pytest.fixture(scope="module")
def output() -> StepOutput:
    return STEP.run(given(solo=True))


@pytest.fixture(scope="module")
def beside() -> StepOutput:
    return STEP.run(given(solo=True, alone=False))


def checked(output: StepOutput, name: str) -> pl.DataFrame:
    return schema.load(name).checked(output.tables[TRANSFER][name])


def test_chords_are_given_at_true_pitch_and_in_both_times(output: StepOutput) -> None:
    chords, notes = checked(output, "chord"), checked(output, "chord_note")
    assert output.outcomes[TRANSFER] == ("done", "2 chords of two strings or more")
    assert chords["notes"].to_list() == [3, 2]
    assert chords["take_id"].to_list() == ["t", "t"]
    assert notes["midi"].to_list() == pytest.approx([*BROKEN, *DOUBLE], abs=0.05)
    # The transfer runs fast, so what lasts a second of it lasted 2^(60/1200) s.
    slower = 2 ** (FAST_CENTS / 1200)
    assert (notes["start_s"] / notes["transfer_start_s"]).to_list() == pytest.approx([slower] * 5, rel=1e-6)
    assert notes.filter(pl.col("later_ms") > 100)["later_ms"].to_list() == pytest.approx([140 * slower], abs=25)


def test_a_broken_chord_and_one_struck_together_are_told_apart(output: StepOutput) -> None:
    assert checked(output, "chord")["breaking"].to_list() == ["from_below", "together"]
    assert checked(output, "chord_note")["sounds_later"].to_list()[3:] == ["no", "no"]


def test_chords_beside_somebody_else_are_marked(output: StepOutput, beside: StepOutput) -> None:
    marked = [["piano_near" in flags for flags in checked(one, "chord")["flags"]] for one in (output, beside)]
    assert marked == [[False, False], [True, True]]


def test_a_note_of_the_followed_line_is_known_in_its_chord(output: StepOutput) -> None:
    assert checked(output, "chord_note")["note_id"].to_list() == [None, None, None, None, "aa-1-t1-n2200"]


def test_curves_come_every_twelve_milliseconds_at_the_pitch_of_their_note(output: StepOutput) -> None:
    frames = checked(output, "chord_frame")
    curves = frames.partition_by("chord_id", "note_number", maintain_order=True)
    for curve, midi in zip(curves, (*BROKEN, *DOUBLE), strict=True):
        assert np.diff(curve["transfer_time_s"]) == pytest.approx(128 / RATE_HZ, rel=1e-6)
        assert curve["midi"].median() == pytest.approx(midi, abs=0.05)


def test_no_chord_is_looked_for_where_no_solo_is() -> None:
    output = STEP.run(given(solo=False))
    assert output.outcomes[TRANSFER] == ("cannot_tell", "no solo is heard")
    assert all(checked(output, name).is_empty() for name in STEP.writes)
