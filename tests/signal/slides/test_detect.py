"""Slides of known parameters in made pitch lines: recovered, invariant, and not claimed where there are none."""

import numpy as np
import pytest

from pipeline.kinds import KINDS
from pipeline.signal.slides.detect import Detection, find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from tests.helpers.pitch_lines import MadeLine, Score, line_of


def found(line: MadeLine, *, cents: float = 0.0, acceptance: str = "learned") -> Detection:
    speed_map = SpeedMap.constant(correction_cents=cents, length_s=float(line.time_s[-1]))
    return find_notes_and_slides(
        line,
        speed_map=speed_map,
        reference_pitch_hz=440.0,
        spans=None,
        acceptance=acceptance,  # type: ignore[arg-type]
    )


def logistic_bounds(start_s: float, seconds: float) -> tuple[float, float]:
    """Where 10 and 90 % of the cut logistic glide are passed, from its closed form."""
    steep, low = 2.0 * np.log(49.0), 1.0 / 50.0
    at = [low + share * (1.0 - 2.0 * low) for share in (0.1, 0.9)]
    return tuple(start_s + seconds * (0.5 + np.log(p / (1.0 - p)) / steep) for p in at)  # type: ignore[return-value]


@pytest.mark.parametrize("acceptance", ["learned", "rules"])
@pytest.mark.parametrize(("interval", "seconds"), [(1, 0.2), (-2, 0.12), (4, 0.25), (-7, 0.2), (12, 0.3)])
def test_logistic_glide_recovered(interval: float, seconds: float, acceptance: str) -> None:
    score = Score().note(69.0, 0.6)
    bounds = logistic_bounds(score.now_s, seconds)
    line = score.glide(69.0, 69.0 + interval, seconds).note(69.0 + interval, 0.6).line(noise_cents=2.0)
    detection = found(line, acceptance=acceptance)
    assert len(detection.slides) == 1
    slide = detection.slides[0]
    assert slide.kind == "same_finger"
    assert slide.interval_cents == pytest.approx(100.0 * interval, abs=3.0)
    assert slide.audible_start_s == pytest.approx(bounds[0], abs=0.006)
    assert slide.audible_end_s == pytest.approx(bounds[1], abs=0.006)
    assert slide.inflection_s == pytest.approx(0.5 * (bounds[0] + bounds[1]), abs=0.004)
    mean_slope = 80.0 * interval / (bounds[1] - bounds[0])
    assert slide.gradient_cents_per_s == pytest.approx(mean_slope, rel=0.06)
    assert sum(slide.kinds) == pytest.approx(1.0)
    assert np.isnan(slide.step_from_midi)


def test_a_note_that_is_there_from_the_start_begins_with_the_sound() -> None:
    line = Score().note(69.0, 0.6).note(71.0, 0.6).line(noise_cents=2.0)
    heard = int(np.isfinite(line.f0_hz).argmax())
    cut = {name: values[heard:] for name, values in vars(line).items()}
    cut["time_s"] = cut["time_s"] - cut["time_s"][0]
    first = found(MadeLine(**cut)).notes[0]
    assert (first.transfer_start_s, first.start_s) == (0.0, 0.0)


def broken(kind: str) -> tuple[Score, tuple[float, float]]:
    """A4 to D5 with a break: of a departing finger after a glide to B4, and so on."""
    score = Score().note(69.0, 0.5, vibrato_hz=6.0, vibrato_cents=20.0)
    if kind == "departing_finger":
        return score.glide(69.0, 71.0, 0.18).note(74.0, 0.5), (71.0, 74.0)
    if kind == "arriving_finger":
        return score.glide(72.0, 74.0, 0.18).note(74.0, 0.5), (69.0, 72.0)
    return score.glide(69.0, 71.0, 0.12, shape="linear").glide(72.5, 74.0, 0.09, shape="linear").note(74.0, 0.5), (
        71.0,
        72.5,
    )


@pytest.mark.parametrize("kind", ["departing_finger", "arriving_finger", "two_finger"])
def test_break_in_the_glide_names_kind_and_pitches(kind: str) -> None:
    score, (before, after) = broken(kind)
    slides = found(score.line(noise_cents=2.0)).slides
    assert [slide.kind for slide in slides] == [kind]
    assert slides[0].step_from_midi == pytest.approx(before, abs=0.25)
    assert slides[0].step_to_midi == pytest.approx(after, abs=0.25)
    assert slides[0].interval_cents == pytest.approx(500.0, abs=12.0)


def test_step_against_the_slide() -> None:
    score = Score().note(69.0, 0.5).glide(69.0, 76.0, 0.2).note(74.0, 0.5)
    slides = found(score.line(noise_cents=2.0)).slides
    assert [slide.kind for slide in slides] == ["departing_finger"]
    assert slides[0].step_from_midi == pytest.approx(76.0, abs=0.25)


def test_glide_out_of_silence_is_into_note() -> None:
    score = Score().note(69.0, 0.5).rest(0.4).glide(70.0, 73.0, 0.15).note(73.0, 0.6)
    slides = found(score.line(noise_cents=2.0)).slides
    assert [(slide.kind, slide.from_note) for slide in slides] == [("into_note", None)]
    assert slides[0].from_midi == pytest.approx(70.0, abs=0.3)


def melody() -> Score:
    """Notes with slides of three kinds, clean steps between."""
    return (
        Score()
        .note(69.0, 0.4)
        .glide(69.0, 72.0, 0.2)
        .note(72.0, 0.35)
        .note(67.0, 0.35, vibrato_hz=6.2, vibrato_cents=25.0)
        .glide(67.0, 69.0, 0.15)
        .note(74.0, 0.4)
        .note(76.0, 0.3)
        .glide(73.0, 71.0, 0.16)
        .note(71.0, 0.5)
    )


def test_transposing_the_sound_transposes_every_slide() -> None:
    line = melody().line(noise_cents=2.0, seed=3)
    plain = found(line).slides
    high = MadeLine(**{**vars(line), "f0_hz": line.f0_hz * 2.0 ** (7.0 / 12.0)})
    moved = found(high).slides
    assert len(plain) == 3
    assert [s.kind for s in moved] == [s.kind for s in plain]
    for a, b in zip(plain, moved, strict=True):
        assert b.from_midi - a.from_midi == pytest.approx(7.0, abs=1e-6)
        assert b.interval_cents == pytest.approx(a.interval_cents, abs=1e-4)
        assert b.audible_start_s == pytest.approx(a.audible_start_s, abs=1e-9)


def test_later_by_a_second_is_the_same_a_second_later() -> None:
    line = melody().line(noise_cents=2.0, seed=3)
    later = MadeLine(**{**vars(line), "time_s": line.time_s + 1.0})
    assert len(found(line).slides) == 3
    for a, b in zip(found(line).slides, found(later).slides, strict=True):
        assert b.start_s - a.start_s == pytest.approx(1.0, abs=1e-9)
        assert b.confidence == pytest.approx(a.confidence, abs=1e-9)


def test_backwards_departing_becomes_arriving_and_up_becomes_down() -> None:
    curve = melody().curve()
    forth = found(line_of(curve)).slides
    back = found(line_of(curve[::-1])).slides
    turned = {"departing_finger": "arriving_finger", "arriving_finger": "departing_finger"}
    assert [s.kind for s in forth] == ["same_finger", "departing_finger", "arriving_finger"]
    assert [s.kind for s in back] == [turned.get(s.kind, s.kind) for s in forth[::-1]]
    for a, b in zip(forth[::-1], back, strict=True):
        assert b.interval_cents == pytest.approx(-a.interval_cents, abs=6.0)
        assert b.audible_end_s - b.audible_start_s == pytest.approx(a.audible_end_s - a.audible_start_s, abs=0.012)


def test_speed_correction_scales_times_and_slopes() -> None:
    """Frequencies times s, durations by s, intervals unchanged, cents/s times s, Hz/s times s squared."""
    s = 80.0 / 78.0
    line = melody().line()
    plain = found(line)
    corrected = found(line, cents=1200.0 * float(np.log2(s)))
    assert len(plain.slides) == len(corrected.slides) == 3
    for a, b in zip(plain.slides, corrected.slides, strict=True):
        assert b.transfer_start_s == pytest.approx(a.transfer_start_s, abs=0.004)
        assert b.interval_cents == pytest.approx(a.interval_cents, abs=1.0)
        assert b.duration_ms == pytest.approx(a.duration_ms / s, rel=0.02)
        assert b.gradient_cents_per_s == pytest.approx(a.gradient_cents_per_s * s, rel=0.02)
        assert b.gradient_hz_per_s == pytest.approx(a.gradient_hz_per_s * s * s, rel=0.02)
    shaken = [(n, m) for n, m in zip(plain.notes, corrected.notes, strict=True) if np.isfinite(n.vibrato_hz)]
    assert shaken
    for n, m in shaken:
        assert m.vibrato_hz == pytest.approx(n.vibrato_hz * s, rel=0.01)
        assert m.vibrato_cents == pytest.approx(n.vibrato_cents, rel=0.03)


@pytest.mark.parametrize(("midi", "cents_for_600_hz"), [(45.0, 9443.0), (69.0, 2361.0)])
def test_slopes_in_hz_mean_what_the_register_makes_of_them(midi: float, cents_for_600_hz: float) -> None:
    """600 Hz/s, a slope reported for cello slides, is 9443 cents/s at 110 Hz and 2361 at 440 (arithmetic)."""
    score = Score().note(midi - 1.0, 0.5).glide(midi - 1.0, midi + 1.0, 0.15, shape="linear").note(midi + 1.0, 0.5)
    slides = found(score.line(noise_cents=1.0)).slides
    assert len(slides) == 1
    ratio = slides[0].gradient_hz_per_s / slides[0].gradient_cents_per_s
    assert ratio == pytest.approx(600.0 / cents_for_600_hz, rel=0.01)


@pytest.mark.parametrize("extent", [25.0, 50.0])
def test_vibrato_of_published_rate_and_extent_is_no_slide(extent: float) -> None:
    """6.5 Hz and 25 to 50 cents either way (Small, in Seashore, Psychology of Music, 1938).

    Its steepest slope 2 pi A f is 1021 cents/s at 25 cents and 2042 at 50, as steep as many slides.
    """
    score = Score().note(69.0, 1.5, vibrato_hz=6.5, vibrato_cents=extent)
    score.note(72.0, 1.5, vibrato_hz=6.5, vibrato_cents=extent).note(71.0, 1.2, vibrato_hz=5.7, vibrato_cents=extent)
    detection = found(score.line(noise_cents=3.0))
    assert detection.slides == ()
    assert [round(n.midi) for n in detection.notes] == [69, 72, 71]
    assert detection.notes[0].vibrato_hz == pytest.approx(6.5, abs=0.1)
    assert detection.notes[0].vibrato_cents == pytest.approx(extent, rel=0.12)


def test_wow_is_no_slide() -> None:
    """Off-centre by 0.5 mm at a radius of 60 mm: 14.4 cents at 1.304 Hz, at most 118 cents/s (geometry)."""
    score = Score().note(69.0, 3.0, vibrato_hz=1.304, vibrato_cents=14.4).note(72.0, 2.0)
    assert found(score.line(noise_cents=2.0)).slides == ()


@pytest.mark.parametrize("acceptance", ["learned", "rules"])
def test_trills_grace_notes_and_quick_changes_are_no_slides(acceptance: str) -> None:
    score = Score()
    for _ in range(6):
        score.note(69.0, 0.075).note(71.0, 0.075)
    score.note(69.0, 0.4).note(74.0, 0.06).note(72.0, 0.5)
    for midi in (76.0, 72.0, 79.0, 71.0):
        score.glide(score_end(score), midi, 0.02).note(midi, 0.3)
    detection = found(score.line(noise_cents=3.0), acceptance=acceptance)
    assert detection.slides == ()
    assert len(detection.transitions) >= 6


def score_end(score: Score) -> float:
    """Pitch at the end of what has been added."""
    curve = score.curve()
    return float(curve[np.isfinite(curve)][-1])


def test_glissando_threshold_scales_the_audible_index() -> None:
    """A glide at the threshold 0.16 / T^2 semitones per second has index 1 ('t Hart, Collier and Cohen 1990)."""
    slide = found(melody().line()).slides[0]
    seconds = slide.duration_ms / 1000.0
    threshold_semitones = 0.16 / seconds**2 * seconds
    assert slide.audible_index == pytest.approx(abs(slide.interval_cents) / 100.0 / threshold_semitones, rel=1e-9)
    assert slide.audible_index > 1.0


def test_one_note_has_no_transition_and_silence_nothing() -> None:
    one = found(Score().note(69.0, 2.0).line(noise_cents=2.0))
    assert (len(one.notes), one.transitions, one.slides) == (1, (), ())
    assert found(Score().rest(2.0).line()) == Detection((), (), (), ())


def test_wandering_noise_gives_no_confident_slide() -> None:
    rng = np.random.default_rng(5)
    line = Score().note(69.0, 20.0).line()
    line.f0_hz = 440.0 * 2.0 ** (rng.uniform(-12.0, 24.0, line.time_s.size) / 12.0)
    line.confidence = rng.uniform(0.2, 0.5, line.time_s.size)
    line.voiced_probability = line.confidence
    assert [slide for slide in found(line).slides if slide.confidence > 0.8] == []


def test_spans_cut_what_is_looked_at() -> None:
    line = melody().line()
    speed_map = SpeedMap.identity(float(line.time_s[-1]))
    whole = found(line)
    cut = find_notes_and_slides(line, speed_map=speed_map, reference_pitch_hz=440.0, spans=[(0.0, 1.2)])
    assert len(cut.slides) == 1
    assert cut.slides[0].start_s == pytest.approx(whole.slides[0].start_s, abs=1e-9)
    assert max(note.transfer_end_s for note in cut.notes) <= 1.21


def test_kinds_and_notes_are_named_as_agreed() -> None:
    detection = found(melody().line(noise_cents=2.0))
    assert len(detection.slides) == 3
    for slide in detection.slides:
        assert slide.kind in KINDS
        assert all(p >= 0 for p in slide.kinds)
        assert slide.kind == KINDS[int(np.argmax(slide.kinds))]
        if slide.from_note is not None:
            assert detection.notes[slide.from_note].midi == pytest.approx(slide.from_midi, abs=0.3)
        assert detection.notes[slide.to_note].midi == pytest.approx(slide.to_midi, abs=0.3)
