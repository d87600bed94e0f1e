"""The step detect: whose solo, which rows, what is counted, and that nothing found is a result."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.kinds import KINDS, STROKES
from pipeline.settings import DetectSettings
from pipeline.signal.line.solo_parts import SoloSpan as HeardSpan
from pipeline.signal.slides import learned
from pipeline.steps.base import StepInput, StepOutput
from pipeline.steps.detect.solo_spans import SoloSpan, evidence_in, solo_spans, with_measured
from pipeline.steps.detect.step import STEP
from pipeline.store import schema
from tests.helpers.pitch_lines import Score


def facts(**changes: Any) -> dict[str, Any]:
    take = {
        "take_id": "take-1",
        "accompaniment": "piano",
        "bowed_beside": [],
        "soloists": [{"instrument": "violin", "player_id": "player-1"}],
    }
    return {"file_start_s": 0.0, "takes": [take], "passages": [], **changes}


def passage(from_s: float, to_s: float, content: str = "solo", **more: Any) -> dict[str, Any]:
    return {"from_s": from_s, "to_s": to_s, "content": content, "take_id": None, "player_id": None, **more}


def run(
    given: dict[str, Any],
    score: Score,
    *,
    cents: float = 0.0,
    state: str = "settled",
    repeats: Sequence[tuple[float, float]] = (),
    other: Score | None = None,
    sure: Callable[[float], float] | None = None,
) -> StepOutput:
    """What the step gives; beside an ``other`` player it is so sure at each time whose the line is."""
    line = score.line(noise_cents=2.0)
    length_s = float(line.time_s[-1])
    frames = frames_of(line)
    beside = frames.clear() if other is None else frames_of(other.line(noise_cents=2.0))
    known = [None if sure is None else sure(t) for t in line.time_s.tolist()]
    frames = frames.with_columns(solo_probability=pl.Series(known, dtype=pl.Float64))
    speed = pl.DataFrame({"transfer_id": ["tr-1"], "state": [state], "reference_pitch_hz": [440.0]})
    curve = pl.DataFrame(
        {"transfer_id": ["tr-1"] * 2, "transfer_time_s": [0.0, length_s], "correction_cents": [cents, cents]}
    )
    melody = pl.DataFrame({"transfer_id": ["tr-1"], "instrument": ["violin"], "length_s": [length_s]})
    again = pl.DataFrame({"transfer_start_s": [a for a, _ in repeats], "transfer_end_s": [b for _, b in repeats]})
    tables = {
        "tr-1": {
            "pitch_frame": frames,
            "other_frame": beside,
            "melody": melody,
            "speed": speed,
            "speed_curve": curve,
            "repeated_groove": again.cast(pl.Float64),
        }
    }
    return STEP.run(StepInput("tr-1", given, DetectSettings(), tables, lambda _: pytest.fail("no sound is needed")))


def frames_of(line: Any) -> pl.DataFrame:
    names = ("f0_hz", "voiced_probability", "confidence", "level_db", "prominence_db", "gliding")
    columns = {"transfer_id": ["tr-1"] * line.time_s.size, "transfer_time_s": line.time_s}
    values = {name: getattr(line, name) for name in names} | {"sound_db": line.level_db}
    return pl.DataFrame(columns | values).with_columns(pl.col("f0_hz", "gliding").fill_nan(None))


def test_a_corpus_asks_the_confidence_that_was_measured_and_stated() -> None:
    # Settings know no signal code, so the number stands twice.
    assert DetectSettings().least_confidence == learned.LEAST_CONFIDENCE


def two_slides() -> Score:
    score = Score().note(69.0, 0.6).glide(69.0, 73.0, 0.2).note(73.0, 0.6)
    return score.glide(73.0, 68.0, 0.2).note(68.0, 0.6).note(70.0, 0.6)


def test_rows_fit_the_declared_tables_and_refer_to_each_other() -> None:
    output = run(facts(), two_slides())
    tables = {name: schema.load(name).checked(frame) for name, frame in output.tables["tr-1"].items()}
    assert set(tables) == set(STEP.writes)
    notes, slides, pairs = tables["note"], tables["slide"], tables["transition"]
    assert (notes.height, pairs.height, slides.height) == (4, 3, 2)
    assert set(slides["from_note_id"]) | set(slides["to_note_id"]) <= set(notes["note_id"])
    assert pairs["exposure"].sum() == 3
    for name, frame in tables.items():
        assert frame.select(schema.load(name).key).is_duplicated().sum() == 0
    for chances in ([f"p_{kind}" for kind in KINDS], [f"p_stroke_{name}" for name in STROKES]):
        assert np.allclose(slides.select(chances).sum_horizontal(), 1.0)
    # Both glides are unbroken, and no note begins off its pitch.
    assert slides["glided_cents"].to_list() == pytest.approx(slides["interval_cents"].to_list())
    assert notes["approach_cents"].null_count() == notes.height
    assert output.outcomes["tr-1"] == ("done", "2 slides in 3 transitions, before chords and listeners are heard")


def test_no_slide_is_a_result_with_exposure() -> None:
    output = run(facts(), Score().note(69.0, 0.7).note(71.0, 0.7), cents=100.0)
    tables = output.tables["tr-1"]
    assert tables["slide"].height == 0
    assert output.outcomes["tr-1"][0] == "done"
    span = tables["solo_span"].row(0, named=True)
    assert span["counted"]
    true_length = (span["transfer_end_s"] - span["transfer_start_s"]) / 2.0 ** (1.0 / 12.0)
    assert span["end_s"] - span["start_s"] == pytest.approx(true_length, rel=1e-9)


def test_only_solo_passages_give_slides_and_exposure() -> None:
    given = facts(file_start_s=10.0, passages=[passage(10.0, 11.3), passage(11.3, 20.0, "voice")])
    tables = run(given, two_slides()).tables["tr-1"]
    assert tables["slide"].height == 1
    assert tables["solo_span"]["counted"].to_list() == [True, False]
    assert tables["solo_span"]["transfer_end_s"].to_list()[0] == pytest.approx(1.3)


@pytest.mark.parametrize("accompaniment", ["voice", "second_string", "orchestra", "ensemble"])
def test_with_another_line_and_no_passages_it_is_measured_but_not_counted(accompaniment: str) -> None:
    given = facts()
    given["takes"][0]["accompaniment"] = accompaniment
    output = run(given, two_slides())
    assert output.tables["tr-1"]["slide"].height == 2
    assert not output.tables["tr-1"]["solo_span"]["counted"].any()
    assert not output.tables["tr-1"]["transition"]["exposure"].any()
    state, why = output.outcomes["tr-1"]
    assert state == "cannot_tell"
    assert "whose slides" in why


def with_a_second_player() -> dict[str, Any]:
    given = facts()
    given["takes"][0] |= {"accompaniment": "second_string", "bowed_beside": [None]}
    return given


def beside() -> Score:
    return Score().note(60.0, 1.5).glide(60.0, 64.0, 0.2).note(64.0, 1.1)


def test_beside_a_second_player_only_what_is_surely_the_soloists_counts() -> None:
    # The second of two slides, 1.4 to 1.6 s, may be the other's.
    output = run(with_a_second_player(), two_slides(), other=beside(), sure=lambda t: 0.6 if 1.15 < t < 1.9 else 0.97)
    tables = {name: schema.load(name).checked(frame) for name, frame in output.tables["tr-1"].items()}
    slides = tables["slide"].sort("start_s")
    assert slides["solo_probability"].to_list() == pytest.approx([0.97, 0.6])
    counted = tables["solo_span"].filter("counted").select("transfer_start_s", "transfer_end_s").rows()
    middles = slides.select((pl.col("transfer_audible_start_s") + pl.col("transfer_audible_end_s")) / 2).to_series()
    assert [any(a <= middle < b for a, b in counted) for middle in middles] == [True, False]
    assert tables["transition"].sort("transition_id")["exposure"].to_list() == [True, False, True]
    assert "which is the soloist's cannot be told" in output.outcomes["tr-1"][1]
    glides = tables["other_glide"].sort("solo_probability")
    assert glides["slide_id"].to_list() == [None, slides["slide_id"][1]]
    assert glides["interval_cents"].to_list() == pytest.approx([400.0, -500.0], abs=10.0)


def test_the_others_glides_are_a_table_of_their_own() -> None:
    output = run(with_a_second_player(), two_slides(), other=beside(), sure=lambda t: 0.97)
    glide = schema.load("other_glide").checked(output.tables["tr-1"]["other_glide"]).row(0, named=True)
    assert (glide["voice"], glide["slide_id"]) == ("second", None)
    assert glide["solo_probability"] == pytest.approx(0.03)
    # Meanwhile the soloist is gliding down from 73 to 68.
    assert 67.0 < glide["meanwhile_midi"] < 74.0
    assert output.tables["tr-1"]["slide"].height == 2
    assert output.tables["tr-1"]["solo_span"]["counted"].all()


def test_several_takes_on_one_side_need_passages() -> None:
    take = facts()["takes"][0]
    takes = [take, {**take, "take_id": "take-2"}]
    whole = solo_spans(facts(takes=takes), length_s=60.0)
    assert [(s.counted, s.take_id) for s in whole] == [(False, None)]
    parts = solo_spans(
        facts(takes=takes, passages=[passage(0.0, 25.0, take_id="take-1"), passage(30.0, 55.0, take_id="take-2")]),
        length_s=60.0,
    )
    assert [(s.counted, s.take_id, s.end_s - s.start_s) for s in parts] == [
        (True, "take-1", 25.0),
        (True, "take-2", 25.0),
    ]


@dataclass(frozen=True)
class Measured:
    start_s: float
    end_s: float
    content: str


def test_measured_interludes_leave_the_exposure_unless_a_person_says_solo() -> None:
    measured = [
        Measured(0.0, 5.0, "accompaniment_only"),
        Measured(5.0, 20.0, "solo"),
        Measured(20.0, 30.0, "cannot_tell"),
        Measured(30.0, 40.0, "solo"),
    ]
    default = with_measured(solo_spans(facts(), length_s=40.0), measured)
    assert [(s.start_s, s.end_s, s.content, s.counted) for s in default] == [
        (0.0, 4.75, "accompaniment_only", False),
        (4.75, 20.25, "solo", True),
        (20.25, 29.75, "cannot_tell", False),
        (29.75, 40.0, "solo", True),
    ]
    said = with_measured(solo_spans(facts(passages=[passage(0.0, 40.0)]), length_s=40.0), measured)
    assert [(s.start_s, s.end_s, s.source) for s in said] == [
        (0.0, 20.25, "catalogue"),
        (20.25, 29.75, "measured"),
        (29.75, 40.0, "catalogue"),
    ]
    assert all(isinstance(s, SoloSpan) and (s.reason is None) == s.counted for s in [*default, *said])


def test_doubtful_speed_is_flagged_on_every_slide() -> None:
    slides = run(facts(), two_slides(), state="ambiguous").tables["tr-1"]["slide"]
    assert slides.height == 2
    assert all("speed_ambiguous" in flags for flags in slides["flags"].to_list())


def test_same_input_gives_equal_tables() -> None:
    one, two = run(facts(), two_slides()).tables["tr-1"], run(facts(), two_slides()).tables["tr-1"]
    assert all(one[name].equals(two[name]) for name in STEP.writes)


def test_what_was_measured_stands_beside_each_span() -> None:
    def heard(start: float, end: float, resting: float) -> HeardSpan:
        return HeardSpan(start, end, "solo", 0.9, 0.8, resting, 50.0, 0.7, 0.1)

    measured = [heard(0.0, 10.0, 0.9), heard(10.0, 20.0, 0.5)]
    found = evidence_in(measured, 5.0, 20.0)
    assert found["resting_share"] == pytest.approx((5 * 0.9 + 10 * 0.5) / 15)
    assert found["sureness"] == pytest.approx(0.8)
    assert set(evidence_in(measured, 30.0, 31.0).values()) == {None}


def test_what_the_stylus_plays_again_is_not_counted_even_where_a_person_says_solo() -> None:
    score = Score().note(69.0, 1.0).note(72.0, 1.0).note(69.0, 1.0).note(72.0, 1.0).note(76.0, 1.0)
    for given in (facts(), facts(passages=[passage(0.0, 9.0, take_id="take-1")])):
        whole = run(given, score).tables["tr-1"]
        left = run(given, score, repeats=[(2.3, 4.3)]).tables["tr-1"]
        assert (whole["note"].height, left["note"].height) == (5, 3)
        spans = schema.load("solo_span").checked(left["solo_span"])
        assert spans["content"].to_list() == ["solo", "repeated", "solo"]
        assert spans["counted"].to_list() == [True, False, True]
        assert spans["transfer_start_s"].to_list() == pytest.approx([0.0, 2.3, 4.3])
        assert spans["reason"].to_list()[1] == "the stylus plays the same groove again"


def test_two_soloists_at_once_are_refused_with_the_true_reason() -> None:
    """Whatever the sound seems to be: it is neither speech nor silence because two violins play."""
    take = facts()["takes"][0]
    pair = take | {"accompaniment": "none", "soloists": [{"instrument": "violin", "player_id": p} for p in ("p", "q")]}
    spans = solo_spans(facts(takes=[pair]), length_s=40.0)
    for content in ("solo", "speech", "not_music", "cannot_tell"):
        (span,) = with_measured(spans, [Measured(0.0, 40.0, content)])
        assert not span.counted
        assert span.reason == "cannot tell whose slides: 2 soloists play at once; add passages"
    (span,) = solo_spans(facts(takes=[pair | {"either": True}]), length_s=40.0)
    assert span.reason.startswith("cannot tell whose slides: 2 players are named, each only possible")
    told = facts(takes=[pair], passages=[passage(0.0, 20.0, player_id="p"), passage(20.0, 40.0, player_id="q")])
    assert [s.player_id for s in solo_spans(told, length_s=40.0) if s.counted] == ["p", "q"]
