"""The step settle: rulings, doubts and ranked readings as tables, from a made row of ``tuning``."""

import re
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.answers.number_words import change_words, drift_words, ledger_remark
from pipeline.settings import SettleSettings
from pipeline.signal.speed.speed_map import SpeedMap
from pipeline.steps.base import StepInput, StepOutput
from pipeline.steps.settle.step import STEP
from pipeline.store import schema

LENGTH_S = 60.0
SCALE = (0, 2, 4, 5, 7, 9, 11)


def tuning(name: str = "tr-1", *, sharp: float = 20.0, tonic: int = 2, seed: int = 1, **changes: Any) -> pl.DataFrame:
    """A side in a major key that sounds ``sharp`` cents above A4 = 440 Hz and falls by 10 cents."""
    rng = np.random.default_rng(seed)
    scale = [m for m in range(64, 89) if (m - tonic) % 12 in SCALE]
    notes = [int(m) for m in rng.choice(scale, 100)]
    time_s = np.linspace(0.0, LENGTH_S, 61)
    row: dict[str, Any] = {
        "transfer_id": name,
        "measured": True,
        "reason": "100 steady notes",
        "length_s": LENGTH_S,
        "solo_tone_count": 100,
        "accompaniment_tone_count": 0,
        "sharp_cents": sharp,
        "sharp_se_cents": 0.8,
        "curve_time_s": time_s.tolist(),
        "curve_cents": (sharp + 5.0 - 10.0 * time_s / LENGTH_S).tolist(),
        "curve_se_cents": [1.0] * 61,
        "jump_s": [],
        "jump_se_s": [],
        "jump_from_s": [],
        "jump_to_s": [],
        "jump_cents": [],
        "jump_least_cents": 12.5,
        "jump_log_odds": -1.0,
        "wow_hz": None,
        "wow_hz_se": None,
        "wow_cents": None,
        "wow_se_cents": None,
        "wow_phase_rad": None,
        "wow_shrink": None,
        "wow_chance": 0.6,
        "flutter_hz": None,
        "flutter_cents": None,
        "note_start_s": [0.5 * i for i in range(100)],
        "note_length_s": [0.4] * 100,
        "note_semitone": notes,
        "note_deviation_cents": [0.0] * 100,
        "note_wobble_cents": [20.0] * 100,
        "accompaniment_pitch_classes": [0.0] * 48,
        "hum_hz": [],
        "hum_clear_db": [],
    }
    return schema.load("tuning").checked(pl.DataFrame([{**row, **changes}], infer_schema_length=None))


def known(**changes: Any) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "turntable_rpm": 78.26,
        "already_corrected": "no",
        "copy": False,
        "process": None,
        "key": "D major",
        "key_share": 1.0,
        "key_remark": "",
        "open_strings": None,
        "references": {
            "as the take's reference pitch": {"hz": 440.0, "sd_cents": 2.0, "probability": 1.0, "stated": True}
        },
        "labels": [],
        "decision": None,
    }
    return {**facts, **changes}


def pitch(hz: float, sd_cents: float, probability: float) -> dict[str, Any]:
    return {"hz": hz, "sd_cents": sd_cents, "probability": probability, "stated": False}


def ruling(**changes: Any) -> dict[str, Any]:
    row: dict[str, Any] = {
        "playing_rpm": 76.0,
        "correction_cents": None,
        "se_cents": None,
        "reference_pitch_hz": 435.0,
        "one_speed": None,
        "key": None,
        "reason": "matched to a piano of the time",
        "decided_by": "A. Listener",
        "decided_on": "2026-01-02",
        "samples_sha256": None,
    }
    return {**row, **changes}


def run(
    facts: dict[str, dict[str, Any]], tunings: dict[str, pl.DataFrame], sound: dict[str, str] | None = None
) -> StepOutput:
    melody = {"instrument": "violin"}
    tables = {
        name: {"tuning": frame, "melody": pl.DataFrame([{"transfer_id": name, **melody}])}
        for name, frame in tunings.items()
    }
    given = StepInput(
        "session-1",
        {name: {"side": f"side of {name}", **values} for name, values in facts.items()},
        SettleSettings(),
        tables,
        lambda _: pytest.fail("settle needs no sound"),
        samples_sha256=sound or {},
    )
    return STEP.run(given)


def one(facts: dict[str, Any], frame: pl.DataFrame | None = None, **how: Any) -> dict[str, Any]:
    out = run({"tr-1": facts}, {"tr-1": tuning() if frame is None else frame}, **how)
    return out.tables["tr-1"]["speed"].row(0, named=True)


def test_tables_fit_their_schemas_and_hang_together() -> None:
    out = run({"tr-1": known()}, {"tr-1": tuning()})
    tables = {name: schema.load(name).checked(frame) for name, frame in out.tables["tr-1"].items()}
    speed = tables["speed"].row(0, named=True)
    assert out.outcomes["tr-1"] == ("done", "estimated")
    assert speed["offset_cents"] == pytest.approx(-20.0, abs=0.05)
    assert speed["offset_cents"] == pytest.approx(1200 * np.log2(speed["speed_ratio"]), abs=1e-9)
    assert speed["playing_rpm"] == pytest.approx(78.26 * speed["speed_ratio"])
    curve = tables["speed_curve"]
    assert curve["transfer_time_s"].diff().max() <= 0.02 + 1e-9
    assert curve["correction_cents"][0] == pytest.approx(-25.0, abs=0.05)
    # corrected length is length over ratio
    mapped = SpeedMap(curve["transfer_time_s"].to_numpy(), curve["correction_cents"].to_numpy())
    assert float(mapped.to_true_s(LENGTH_S)) == pytest.approx(LENGTH_S / speed["speed_ratio"], abs=1e-9)
    ranked = tables["speed_alternative"]
    assert ranked["rank"].to_list() == list(range(1, ranked.height + 1))
    assert ranked["probability"].is_sorted(descending=True)
    steps = {round((cents - ranked["offset_cents"][0]) / 100) for cents in ranked["offset_cents"].to_list()}
    assert {-2, -1, 0, 1, 2} <= steps


def test_a_ruling_wins_and_the_estimate_stays_beside_it() -> None:
    speed = one(known(decision=ruling()))
    assert speed["state"] == "decided"
    assert speed["playing_rpm"] == pytest.approx(76.0, abs=1e-6)
    assert speed["reference_pitch_hz"] == 435.0
    assert speed["estimated_state"] == "estimated"
    assert 1200 * np.log2(speed["estimated_speed_ratio"]) == pytest.approx(-20.0, abs=0.05)
    assert speed["decided_by"] == "A. Listener"
    assert "matched to a piano of the time" in speed["remark"]


def test_a_ruling_in_cents_keeps_the_drift() -> None:
    out = run({"tr-1": known(decision=ruling(playing_rpm=None, correction_cents=35.0))}, {"tr-1": tuning()})
    curve = out.tables["tr-1"]["speed_curve"]["correction_cents"]
    assert out.tables["tr-1"]["speed"]["offset_cents"][0] == pytest.approx(35.0, abs=1e-6)
    assert curve[-1] - curve[0] == pytest.approx(10.0, abs=0.1)


@pytest.mark.parametrize("decision", [None, ruling(playing_rpm=None, correction_cents=35.0)])
def test_the_first_and_the_last_note_have_the_curves_correction(decision: dict[str, Any] | None) -> None:
    changed = tuning(jump_s=[20.0], jump_se_s=[0.1], jump_from_s=[19.9], jump_to_s=[20.1], jump_cents=[-30.0])
    tables = run({"tr-1": known(decision=decision)}, {"tr-1": changed}).tables["tr-1"]
    speed, curve = tables["speed"].row(0, named=True), tables["speed_curve"]
    # the first note begins at 0 s, the last ends at 49.9 s
    for name, time_s in (("first", 0.0), ("last", 49.9)):
        cents, se = (
            np.interp(time_s, curve["transfer_time_s"], curve[column]) for column in ("correction_cents", "se_cents")
        )
        assert speed[f"{name}_cents"] == pytest.approx(cents, abs=0.01)
        assert speed[f"{name}_se_cents"] == pytest.approx(se, abs=0.01)


@pytest.mark.parametrize(
    ("decision", "facts", "said"),
    [
        (ruling(reference_pitch_hz=None), {}, "states no reference pitch"),
        (ruling(playing_rpm=None), {}, "neither rpm nor cents"),
        (ruling(correction_cents=3.0), {}, "both rpm and cents"),
        (ruling(), {"turntable_rpm": None}, "needs the transfer's turntable_rpm"),
    ],
)
def test_an_incomplete_ruling_is_not_applied_and_says_why(
    decision: dict[str, Any], facts: dict[str, Any], said: str
) -> None:
    speed = one(known(decision=decision, **facts))
    assert speed["state"] == "estimated"
    assert said in speed["remark"]


def test_a_ruling_for_other_samples_waits() -> None:
    decided = known(decision=ruling(samples_sha256="a" * 64))
    assert one(decided, sound={"tr-1": "a" * 64})["state"] == "decided"
    waiting = one(decided, sound={"tr-1": "b" * 64})
    assert waiting["state"] == "estimated"
    assert "waits for confirmation" in waiting["remark"]


def test_a_ruling_on_a_corrected_transfer_is_warned_about() -> None:
    speed = one(known(already_corrected="yes", decision=ruling(playing_rpm=None, correction_cents=5.0)))
    assert speed["state"] == "decided"
    assert speed["playing_rpm"] is None
    assert "second correction" in speed["remark"]


def test_wow_checks_the_turntable_only_while_that_counts() -> None:
    wobbling = tuning(
        wow_hz=1.2667,
        wow_hz_se=1e-4,
        wow_cents=5.0,
        wow_se_cents=0.2,
        wow_phase_rad=0.0,
        wow_shrink=0.4,
        wow_chance=0.0,
    )
    assert "turned at 76.00 rpm, not at the 78.26 rpm" in one(known(), wobbling)["remark"]
    assert one(known(already_corrected="yes"), wobbling)["remark"] is None
    # 60 times 1e-4 Hz, 1.96 times that
    assert "here the disc turns at 76.00 rpm (± 0.01)" in one(known(turntable_rpm=None), wobbling)["remark"]


def test_doubts_about_the_catalogue_are_said() -> None:
    assumed = {"assumed": pitch(440.0, 7.0, 0.75), "for a nominal 435 Hz": pitch(435.0, 5.0, 0.25)}
    assert "no reference pitch in the catalogue: A4 taken as 44" in one(known(references=assumed))["remark"]
    wrong = one(known(key="A flat major"), tuning(sharp=3.0))
    assert "pitch content fits D major better than the catalogue's A flat major" in wrong["remark"]
    assert wrong["key"] == "D major"


def test_what_cannot_be_measured_keeps_its_speed() -> None:
    empty: dict[str, Any] = {name: [] for name in ("curve_time_s", "curve_cents", "curve_se_cents", "note_semitone")}
    frame = tuning(measured=False, reason="3 steady tones", sharp_cents=None, sharp_se_cents=None, **empty)
    out = run({"tr-1": known()}, {"tr-1": frame})
    speed = out.tables["tr-1"]["speed"].row(0, named=True)
    assert (speed["state"], speed["speed_ratio"]) == ("unmeasurable", 1.0)
    # nobody says how fast its disc turned, nor how sure that is
    assert (speed["playing_rpm"], speed["offset_se_cents"]) == (None, None)
    assert out.outcomes["tr-1"] == ("cannot_tell", "3 steady tones")
    assert out.tables["tr-1"]["speed_alternative"].is_empty()
    assert schema.load("speed_alternative").checked(out.tables["tr-1"]["speed_alternative"]).is_empty()


def test_a_session_offers_its_speed_to_a_side_that_says_nothing() -> None:
    empty: dict[str, Any] = {name: [] for name in ("curve_time_s", "curve_cents", "curve_se_cents", "note_semitone")}
    mute = tuning("tr-1", measured=False, reason="3 steady tones", sharp_cents=None, sharp_se_cents=None, **empty)
    frames = {"tr-1": mute, "tr-2": tuning("tr-2", sharp=30.0, seed=2), "tr-3": tuning("tr-3", sharp=34.0, seed=3)}
    out = run({name: known() for name in frames}, frames)
    speed = out.tables["tr-1"]["speed"].row(0, named=True)
    # offered, not applied: the side is taken as it plays, and how fast its disc turned is not said
    assert (speed["state"], speed["speed_ratio"]) == ("unmeasurable", 1.0)
    assert (speed["playing_rpm"], speed["offset_se_cents"]) == (None, None)
    assert "offered, not applied" in speed["remark"]
    offered = schema.load("speed_alternative").checked(out.tables["tr-1"]["speed_alternative"]).row(0, named=True)
    assert offered["offset_cents"] == pytest.approx(-32.0, abs=0.1)
    assert offered["playing_rpm"] == pytest.approx(78.26 * 2 ** (-32.0 / 1200.0), abs=0.01)
    assert offered["probability"] < 0.95
    assert "2 other sides play at 76.8" in offered["reason"]
    # nothing to offer for a copy, for a corrected transfer, or where no mate is settled
    for changes in ({"copy": True}, {"already_corrected": "yes"}, {"turntable_rpm": None}):
        facts = {**{name: known() for name in frames}, "tr-1": known(**changes)}
        assert run(facts, frames).tables["tr-1"]["speed_alternative"].is_empty()


def test_a_session_is_settled_alike_in_any_order() -> None:
    names = ["tr-1", "tr-2", "tr-3"]
    frames = {name: tuning(name, sharp=30.0 + i, seed=i) for i, name in enumerate(names)}
    facts = {name: known() for name in names}
    facts["tr-3"]["key"] = None
    forth = run(facts, frames)
    back = run(dict(reversed(facts.items())), dict(reversed(frames.items())))
    for name in names:
        for table, frame in forth.tables[name].items():
            assert frame.equals(back.tables[name][table])
    alone = run({"tr-3": facts["tr-3"]}, {"tr-3": frames["tr-3"]})
    helped = forth.tables["tr-3"]["speed_alternative"]["probability"][0]
    assert helped > alone.tables["tr-3"]["speed_alternative"]["probability"][0]


def test_a_copy_does_not_share_its_sessions_speed() -> None:
    frames = {name: tuning(name, sharp=30.0, seed=i) for i, name in enumerate(("tr-1", "tr-2"))}
    together = run({"tr-1": known(), "tr-2": known(copy=True, key=None)}, frames)
    alone = run({"tr-2": known(copy=True, key=None)}, {"tr-2": frames["tr-2"]})
    table = "speed_alternative"
    assert together.tables["tr-2"][table].equals(alone.tables["tr-2"][table])


def test_transfers_of_one_side_that_disagree_are_pointed_out() -> None:
    frames = {"tr-1": tuning("tr-1", sharp=30.0), "tr-2": tuning("tr-2", sharp=10.0)}
    out = run({"tr-1": known(side="s"), "tr-2": known(side="s")}, frames)
    said = out.tables["tr-2"]["speed"]["remark"][0]
    assert "other transfers of this side lead to expect 7" in said
    assert "perhaps a turntable_rpm is wrong" in said
    assert all("other transfers of this side" in row for row in out.tables["tr-1"]["speed_alternative"]["reason"])


def test_transfers_of_one_performance_with_two_a4_are_pointed_out_with_the_cure() -> None:
    guessed = {"references": {"as guessed": pitch(440.0, 20.0, 1.0)}, "turntable_rpm": None, "side": "s"}
    frames = {"tr-1": tuning("tr-1", sharp=10.0), "tr-2": tuning("tr-2", sharp=44.0)}
    free = run({name: known(**guessed) for name in frames}, frames)
    one, other = (free.tables[name]["speed"].row(0, named=True) for name in frames)
    assert "same performance" not in one["remark"]
    # one A4, so that the files' difference of 34 cents is that of their corrections
    assert one["offset_cents"] - other["offset_cents"] == pytest.approx(34.0, abs=0.3)
    ruled = known(**guessed, decision=ruling(playing_rpm=None, correction_cents=-44.0, reference_pitch_hz=430.0))
    out = run({"tr-1": known(**guessed), "tr-2": ruled}, frames)
    for name, mate in (("tr-1", "tr-2"), ("tr-2", "tr-1")):
        said = out.tables[name]["speed"]["remark"][0]
        assert f"in {mate}, which holds the same performance: state one in reference_pitch.csv" in said
    assert "A4 is taken as 430.0 Hz here" in out.tables["tr-2"]["speed"]["remark"][0]


def test_a_drift_has_limits_and_may_be_none() -> None:
    # the curve falls by 10 cents from end to end, each end known to 1 cent
    told = one(known())
    assert told["drift_range_cents"] == pytest.approx(10.0)
    assert told["drift_se_cents"] == pytest.approx(2**0.5)
    assert drift_words(told) == "10.0 ± 2.8 cents (95 %) along the side"
    assert drift_words(told | {"drift_se_cents": 6.0}) == "10.0 ± 11.8 cents (95 %), which may be none, along the side"


def test_a_weak_side_takes_the_shape_of_its_session() -> None:
    names = ["tr-1", "tr-2", "tr-3"]
    frames = {name: tuning(name, sharp=30.0, seed=i) for i, name in enumerate(names)}
    flat = [30.0] * 61
    frames["tr-3"] = tuning("tr-3", sharp=30.0, seed=9, curve_cents=flat, curve_se_cents=[9.0] * 61)
    out = run({name: known() for name in names}, frames)
    curve = out.tables["tr-3"]["speed_curve"]["correction_cents"]
    assert "leans on that of its session" in out.tables["tr-3"]["speed"]["remark"][0]
    assert "leans" not in (out.tables["tr-1"]["speed"]["remark"][0] or "")
    # the others' correction rises by 10 cents over the side
    assert 4.0 < curve[-1] - curve[0] < 10.0


def test_a_ruling_shows_its_own_limits_or_none() -> None:
    plain = one(known(decision=ruling()))
    assert (plain["offset_se_cents"], plain["offset_low_cents"], plain["offset_high_cents"]) == (None, None, None)
    # nothing of the estimate stands beside it: no key, no limits of A4, no pitch assumed
    assert (plain["key"], plain["reference_pitch_low_hz"]) == (None, None)
    assumed = {"assumed": pitch(440.0, 7.0, 1.0)}
    said = one(known(references=assumed, decision=ruling(playing_rpm=None, correction_cents=35.0, se_cents=3.0)))
    assert (said["offset_se_cents"], said["reference_pitch_hz"]) == (3.0, 435.0)
    # 1.96 standard errors (normal distribution)
    assert said["offset_low_cents"] == pytest.approx(35.0 - 5.88, abs=0.01)
    assert said["offset_high_cents"] == pytest.approx(35.0 + 5.88, abs=0.01)
    assert "A4" not in said["remark"]


def test_a_settled_side_says_at_what_speed_another_key_would_play() -> None:
    # printed in D, sounding in E flat: at a rare speed, or transposed, which the catalogue thinks possible
    said = one(known(key_share=0.5), tuning(sharp=0.0, tonic=3))
    assert said["state"] == "estimated"
    assert "in D major, as printed, at 73.87 rpm, 5.6 % slower than 78.26 rpm" in said["remark"]
    assert "in E flat major, transposed by a semitone up, at 78.26 rpm" in said["remark"]
    assert "take.key_played" in said["remark"]
    assert one(known(), tuning(sharp=0.0))["remark"] is None


def test_a_stroboscope_speed_is_named_only_where_one_is_written() -> None:
    # 7200/92 rpm, a stroboscope of 92 bars under 60 Hz
    written = one(known(decision=ruling(playing_rpm=78.26)))
    assert "stroboscope speed, 78.26 rpm, 92 bars under 60 Hz" in written["remark"]
    assert "stroboscope" not in one(known(decision=ruling()))["remark"]
    frame = run({"tr-1": known()}, {"tr-1": tuning(sharp=0.0)}).tables["tr-1"]["speed_alternative"]
    assert not any("stroboscope" in reason for reason in frame["reason"])


def test_the_limits_over_all_readings_lie_outside_those_given_one() -> None:
    stated = one(known())
    half = 1.96 * stated["offset_se_cents"]
    assert stated["offset_low_cents"] < stated["offset_cents"] - half
    assert stated["offset_high_cents"] > stated["offset_cents"] + half
    assert stated["reference_pitch_low_hz"] < 440.0 < stated["reference_pitch_high_hz"]
    assumed = {"assumed": pitch(440.0, 7.0, 0.7), "for a nominal 435 Hz": pitch(435.0, 5.0, 0.3)}
    unknown = one(known(references=assumed))
    assert unknown["offset_high_cents"] - unknown["offset_low_cents"] > 40.0


def test_the_larger_of_two_sudden_changes_is_taken_where_the_keys_say_so() -> None:
    """Measured as a fall of 45 cents, but then the second half stood in D flat: it is a rise of 55."""
    frame = tuning(sharp=0.0, seed=4)
    start = frame["note_start_s"][0]
    numbers = [n + (s > 25.0) for n, s in zip(frame["note_semitone"][0], start, strict=True)]
    jump = {"jump_s": [25.0], "jump_se_s": [0.1], "jump_from_s": [24.8], "jump_to_s": [25.2], "jump_cents": [-45.0]}
    smooth = {"curve_cents": frame["curve_cents"][0].to_list()}
    whole = tuning(sharp=-45.0 * 35.0 / 60.0, seed=4, note_semitone=numbers, **smooth, **jump)
    out = run({"tr-1": known()}, {"tr-1": whole})
    speed = out.tables["tr-1"]["speed"].row(0, named=True)
    curve = out.tables["tr-1"]["speed_curve"]
    assert (speed["jump_count"], speed["jump_s"], speed["jump_least_cents"]) == (1, 25.0, 12.5)
    # the correction falls where the sounding pitch rises
    assert speed["jump_cents"] == pytest.approx(-55.0, abs=1e-6)
    at = curve.filter(pl.col("transfer_time_s").is_between(24.95, 25.05))["correction_cents"]
    assert at[-1] - at[0] == pytest.approx(-55.0, abs=0.5)
    # first part in tune as it sounds, second to be lowered by 55 cents: 35 of 60 s
    assert speed["offset_cents"] == pytest.approx(-55.0 * 35.0 / 60.0, abs=speed["offset_se_cents"])


def test_a_side_that_cannot_be_measured_lends_nothing_to_its_session() -> None:
    empty: dict[str, Any] = {name: [] for name in ("curve_time_s", "curve_cents", "curve_se_cents", "note_semitone")}
    mute = tuning("tr-3", measured=False, reason="speech", sharp_cents=None, sharp_se_cents=None, **empty)
    frames = {"tr-1": tuning("tr-1", sharp=30.0), "tr-2": tuning("tr-2", sharp=34.0, seed=3)}
    alone = run({name: known() for name in frames}, frames)
    beside = run({name: known() for name in (*frames, "tr-3")}, {**frames, "tr-3": mute})
    for name in frames:
        for table in ("speed", "speed_alternative", "speed_curve"):
            assert beside.tables[name][table].equals(alone.tables[name][table])


def test_the_curves_error_holds_what_intonation_leaves_open() -> None:
    tables = run({"tr-1": known()}, {"tr-1": tuning()}).tables["tr-1"]
    whole, curve = tables["speed"]["offset_se_cents"][0], tables["speed_curve"]["se_cents"]
    # the made curve is known to 1.0 cents everywhere, its mean to 0.8: variances add
    assert curve[0] == pytest.approx((1.0 + whole**2 - 0.64) ** 0.5)
    assert whole > 1.5


def test_the_other_notes_that_may_have_been_played_are_set_against_those_of_the_first_reading_whatever_a4_was() -> None:
    assumed = {"as usual": pitch(440.0, 2.0, 0.6), "if low": pitch(435.0, 2.0, 0.4)}
    speed = one(known(key=None, references=assumed), tuning(sharp=50.0))
    assert speed["state"] == "ambiguous"
    told = re.search(r"its notes are (\d+) % likely, those of the first reading (\d+) %", speed["remark"])
    other, own = map(int, told.groups())
    assert other == round(100 * speed["rival_probability"])
    listed = run({"tr-1": known(key=None, references=assumed)}, {"tr-1": tuning(sharp=50.0)}).tables["tr-1"]
    first, *_ = listed["speed_alternative"].sort("rank").rows(named=True)
    assert 100 * first["probability"] < own <= 100 - other


def test_a_ruling_of_one_speed_stands_alone_and_corrects_no_drift() -> None:
    alone = dict.fromkeys(("playing_rpm", "correction_cents", "reference_pitch_hz"))
    changed = tuning(jump_s=[20.0], jump_se_s=[0.1], jump_from_s=[19.9], jump_to_s=[20.1], jump_cents=[-30.0])
    for decision, state in (
        (ruling(**alone, one_speed="yes"), "estimated"),
        (ruling(playing_rpm=None, correction_cents=35.0, one_speed="yes"), "decided"),
    ):
        tables = run({"tr-1": known(decision=decision)}, {"tr-1": changed}).tables["tr-1"]
        speed, curve = tables["speed"].row(0, named=True), tables["speed_curve"]["correction_cents"]
        assert speed["state"] == state
        assert float(np.ptp(curve.to_numpy())) == pytest.approx(0.0, abs=1e-9)
        assert speed["first_cents"] == pytest.approx(speed["last_cents"])
        assert speed["drift_range_cents"] > 25.0  # as heard
        assert "at one speed: drift and sudden changes that are heard are not corrected" in speed["remark"]
        assert (drift_words(speed)[:10], change_words(speed)[:10]) == ("ruled out,", "ruled out,")
        assert "changes suddenly" not in ledger_remark(speed)
    assert speed["offset_cents"] == pytest.approx(35.0, abs=1e-6)
    waiting = known(decision=ruling(**alone, one_speed="yes", samples_sha256="a" * 64))
    other = run({"tr-1": waiting}, {"tr-1": changed}, {"tr-1": "b" * 64}).tables["tr-1"]
    assert float(np.ptp(other["speed_curve"]["correction_cents"].to_numpy())) > 25.0
