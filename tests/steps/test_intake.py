"""Intake refuses what cannot be measured and writes what the file claims."""

from pathlib import Path
from typing import Any

import mutagen
import numpy as np
import pytest
import soundfile

from pipeline.errors import AudioError
from pipeline.settings import IntakeSettings
from pipeline.steps.base import Sound, StepInput
from pipeline.steps.intake import STEP
from pipeline.store.schema import load


def given(samples: np.ndarray, *, file: Path | None = None, length_s: float | None = None) -> StepInput:
    sound = Sound(samples.astype(np.float32), 8_000)
    path: Any = (lambda transfer_id: file) if file else None
    return StepInput("t1", {"length_s": length_s}, IntakeSettings(), {}, lambda transfer_id: sound, path)


TONE = 0.3 * np.sin(np.arange(24_000) / 5)


def test_claims_of_the_file_become_rows(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.flac", TONE, 8_000)
    tags = mutagen.File(tmp_path / "a.flac")
    tags["performer"] = ["A. Vint", "B. Ort"]
    tags.save()
    output = STEP.run(given(TONE, file=tmp_path / "a.flac"))
    rows = load("claim").checked(output.tables["t1"]["claim"])
    assert rows.select("carrier", "field", "number", "value").rows() == [
        ("file", "length_s", 1, "3.000"),
        ("file", "sample_rate_hz", 1, "8000"),
        ("vorbis", "performer", 1, "A. Vint"),
        ("vorbis", "performer", 2, "B. Ort"),
    ]
    assert output.outcomes["t1"][0] == "done"


def test_what_cannot_be_measured_fails_with_a_cure() -> None:
    for samples, message in (
        (TONE[:8_000], "too short to measure"),
        (0 * TONE, "is silent"),
        (np.sign(TONE), "clipped throughout"),
    ):
        with pytest.raises(AudioError, match=f"t1: .*{message}.*;"):
            STEP.run(given(samples))


def test_a_length_against_the_catalogue_fails() -> None:
    with pytest.raises(AudioError, match=r"t1: lasts 3\.0 s, but transfer\.csv says length_s = 180;"):
        STEP.run(given(TONE, length_s=180.0))
    assert STEP.run(given(TONE, length_s=4.0)).outcomes["t1"][0] == "done"
