"""How lines of runs, of speech and of struck strings move: made lines with known notes."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.signal.line.solo_parts import where_solo
from pipeline.signal.line.texture import texture
from tests.helpers.pitch_lines import MadeLine, speech, struck, swelling, tune


def share_of(content: str, line: MadeLine) -> float:
    length_s = float(line.time_s[-1])
    spans = where_solo(line, length_s=length_s)
    return sum(s.end_s - s.start_s for s in spans if s.content == content) / length_s


@pytest.mark.parametrize(("note_s", "vibrato"), [(0.09, 0.0), (0.13, 0.0), (0.5, 35.0), (2.0, 60.0)])
def test_runs_and_held_notes_rest_on_pitches_and_are_solo(note_s: float, vibrato: float) -> None:
    line = swelling(tune(note_s, vibrato_cents=vibrato).line(noise_cents=4.0))
    assert texture(line).resting[500:-500].min() > 0.85
    assert share_of("solo", line) > 0.95


def test_speech_glides_and_is_no_solo() -> None:
    line = speech().line(noise_cents=4.0)
    assert texture(line).resting[500:-500].max() < 0.7
    assert share_of("solo", line) == 0.0
    assert share_of("speech", line) > 0.9


def test_what_only_fades_is_struck_and_no_solo() -> None:
    line = struck(tune(0.4).line(noise_cents=1.0))
    assert texture(line).early[500:-500].min() > 0.8
    assert share_of("solo", line) == 0.0
    assert share_of("accompaniment_only", line) > 0.9


def test_one_plucked_note_among_bowed_ones_decides_nothing() -> None:
    bowed = swelling(tune(0.5).line(noise_cents=4.0))
    plucked = struck(tune(0.5).line(noise_cents=4.0))
    here = (bowed.time_s > 8.0) & (bowed.time_s < 9.0)
    mixed = replace(bowed, level_db=np.where(here, plucked.level_db, bowed.level_db))
    assert share_of("solo", mixed) > 0.95


def test_what_drove_a_decision_is_told_with_the_span() -> None:
    (span,) = where_solo(struck(tune(0.4).line(noise_cents=1.0)), length_s=20.0)
    assert span.content == "accompaniment_only"
    assert span.early_share > 0.8
    assert span.resting_share > 0.9
    assert span.sureness > 0.9


def test_an_empty_and_an_unknown_line_have_a_texture() -> None:
    line = tune(0.5).line()
    none = replace(line, f0_hz=np.full(line.time_s.size, np.nan))
    assert (texture(none).resting == 1.0).all()
    empty = replace(line, **{name: np.zeros(0) for name in line.__dataclass_fields__})
    assert texture(empty).early.size == 0
