"""The head of the overview page: one count, and minutes that divide or are said not to."""

import polars as pl

from pipeline.pages.overview import _dates, _speeds, _subheading

TOTALS = {
    "found_slides": 1.0, "transitions": 26.0, "minutes": 0.8, "takes_of_unmeasurable_speed": 1.0,
    **{f"slides_per_minute{end}": value for end, value in (("", 1.6), ("_low", 0.1), ("_high", 9.0))},
    **{f"slides_per_100_transitions{end}": value for end, value in (("", 3.8), ("_low", 0.2), ("_high", 20.0))},
}  # fmt: skip


def test_a_rate_that_leaves_out_a_take_says_so() -> None:
    said = _subheading([TOTALS | {"warning": "only 2 players: rough interval"}])
    assert said.endswith(" per 100 transitions (with 95 % intervals; only 2 players: rough interval).")
    assert said.startswith("1 slide found in 26 transitions, 0.8 minutes of solo: 1.6 ")
    assert "a minute (without 1 take whose speed cannot be told)" in said
    assert "without" not in _subheading([TOTALS | {"warning": None, "takes_of_unmeasurable_speed": 0.0}])


def test_takes_that_no_chart_shows_are_counted() -> None:
    assert _dates(3, dated=0) == "No date of recording is known, so no take is drawn by its date."
    assert _dates(3, dated=2).endswith("; not drawn, for want of a date: 1 take.")
    assert "not drawn" not in _dates(3, dated=3)


def test_the_ledger_says_where_others_speak_against_a_speed() -> None:
    row = {
        "transfer_id": "t1", "state": "estimated", "offset_cents": 0.0, "offset_se_cents": 1.0,
        "offset_low_cents": -5.0, "offset_high_cents": 5.0, "playing_rpm": None, "reference_pitch_hz": 440.0,
        "key": None, "remark": None, "jump_s": None,
    }  # fmt: skip
    other = {
        "transfer_id": "t1", "beside": "the written part", "other_id": "k1", "others": 1, "doubtful": True,
        "compared": "pitch as corrected, semitones", "difference": 1.0, "difference_se": None,
    }  # fmt: skip
    unknown = row | {
        "transfer_id": "t2", "state": "unmeasurable", "offset_se_cents": None, "offset_low_cents": None,
        "offset_high_cents": None, "reference_pitch_hz": None,
    }  # fmt: skip
    calm = other | {"compared": "tempo, %", "beside": "other takes of the work", "doubtful": False}
    frames = {
        "summary.speed_ledger": pl.DataFrame([row, unknown]),
        "summary.speed_beside_others": pl.DataFrame([other, calm]),
    }
    told = {each["transfer_id"]: each for each in _speeds(frames.__getitem__)}
    assert (told["t2"]["offset"], told["t2"]["reference"], told["t2"]["rpm"]) == ("cannot tell", "", "")
    said = told["t1"]
    assert said["remark"] == (
        "beside the written part: pitch as corrected +1.0 semitones (this one is sharper); one may be read at a "
        "wrong speed, or the piece be in another key"
    )
