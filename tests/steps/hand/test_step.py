"""The step hand on made tables: rows fit their schemas, ambiguous speeds get a hand each, prints are compared."""

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.engine.decision import Reads, group_values
from pipeline.settings import HandSettings, Settings
from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.steps.base import StepInput, StepOutput
from pipeline.steps.hand.printed import printed_shifts
from pipeline.steps.hand.rows import reason_words
from pipeline.steps.hand.step import STEP, readings
from pipeline.store import schema

DEFAULTS = HandSettings()
FIRST_POSITION = [71, 73, 74, 76, 78, 79, 81, 79, 78, 76, 74, 73, 71]


def _frame(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    columns = schema.load(name).polars_schema()
    return pl.DataFrame({c: [row.get(c) for row in rows] for c in columns.names()}, schema=columns)


def _tables(midi: list[int], *, state: str = "estimated", slide_at: int | None = None) -> dict[str, pl.DataFrame]:
    own = {"transfer_id": "t", "take_id": "k"}
    notes = [
        {
            **own,
            "note_id": f"t-n{i * 400}",
            "start_s": 0.4 * i,
            "end_s": 0.4 * i + 0.38,
            "midi": float(m),
            "vibrato_cents": None if m == 76 else 25.0,
        }
        for i, m in enumerate(midi)
    ]
    transitions = [
        {
            **own,
            "transition_id": f"t-t{i * 400}",
            "from_note_id": notes[i - 1]["note_id"],
            "to_note_id": notes[i]["note_id"],
            "slurred_probability": 0.8,
        }
        for i in range(1, len(midi))
    ]
    slides = []
    if slide_at is not None:
        a, b = midi[slide_at - 1], midi[slide_at]
        slides.append(
            {
                **own,
                "slide_id": "t-s1",
                "from_note_id": notes[slide_at - 1]["note_id"],
                "to_note_id": notes[slide_at]["note_id"],
                "audible_start_s": 0.4 * slide_at - 0.1,
                "from_midi": float(a),
                "to_midi": float(b),
                "step_from_midi": float(b - 5),
                "step_to_midi": float(b),
                "confidence": 0.95,
                **{
                    f"p_{k}": 0.02 for k in ("same_finger", "arriving_finger", "two_finger", "into_note", "cannot_tell")
                },
                "p_departing_finger": 0.9,
            }
        )
    speed = {"transfer_id": "t", "state": state, "offset_cents": 0.0, "reference_pitch_hz": 440.0}
    chances = (0.5, 0.45, 0.05) if state == "ambiguous" else (0.9, 0.06, 0.04)
    others = [
        {"transfer_id": "t", "rank": i, "offset_cents": cents, "reference_pitch_hz": 440.0, "probability": chance}
        for i, (cents, chance) in enumerate(zip((0.0, 100.0, -100.0), chances, strict=True), start=1)
    ]
    return {
        "note": _frame("note", notes),
        "transition": _frame("transition", transitions),
        "slide": _frame("slide", slides),
        "chord": _frame("chord", []),
        "chord_note": _frame("chord_note", []),
        "speed": _frame("speed", [speed]),
        "speed_alternative": _frame("speed_alternative", others),
        "melody": _frame("melody", [{"transfer_id": "t", "instrument": "violin"}]),
        "written_match": _frame("written_match", []),
        "written_fit": _frame("written_fit", []),
    }


def _with_chord(tables: dict[str, pl.DataFrame], midi: list[float], start_s: float) -> dict[str, pl.DataFrame]:
    """The tables with a chord of half a second."""
    own = {"chord_id": "t-c1", "transfer_id": "t", "take_id": "k", "start_s": start_s, "end_s": start_s + 0.5}
    notes = [{**own, "note_number": i, "midi": m, "vibrato_cents": None} for i, m in enumerate(midi, start=1)]
    return {**tables, "chord": _frame("chord", [own]), "chord_note": _frame("chord_note", notes)}


def _run(tables: dict[str, pl.DataFrame], *, settings: HandSettings = DEFAULTS, **take: Any) -> StepOutput:
    facts = {
        "instrument": "violin",
        "takes": {"k": {"instruments": ["violin"], "tuning": None, "printed": {}, **take}},
    }

    def no_sound(transfer_id: str) -> Any:
        raise AssertionError(transfer_id)

    return STEP.run(StepInput("t", facts, settings, {"t": tables}, no_sound))


def test_all_tables_fit_their_schemas() -> None:
    tables = _run(_tables([*FIRST_POSITION, 78, 86], slide_at=14)).tables["t"]
    for name in STEP.writes:
        checked = schema.load(name).checked(tables[name])
        assert checked.height or name in ("fingering_match", "chord_hand", "chord_fingering_match")
    notes = tables["note_hand"]
    assert notes["note_id"].n_unique() == 15
    assert notes.filter(pl.col("rank") == 1).height == 15
    sums = notes.group_by("note_id").agg(pl.col("probability").sum())
    assert sums["probability"].is_between(0.9, 1.0 + 1e-9).all()


def test_a_chord_after_a_scale_gets_its_ways_in_the_same_position() -> None:
    # G3, E4, C5, E5 with the open strings: common practice, from memory.
    tables = _with_chord(_tables(FIRST_POSITION), [55.0, 64.0, 72.0, 76.0], start_s=5.4)
    ways = schema.load("chord_hand").checked(_run(tables).tables["t"]["chord_hand"])
    first = ways.filter(pl.col("rank") == 1)
    assert first["string"].to_list() == ["G", "D", "A", "E"]
    assert first["finger"].to_list() == [0, 1, 2, 0]
    assert first["position"].to_list() == [1] * 4
    assert ways["rank"].max() <= 5
    chances = ways.filter(pl.col("note_number") == 1)["probability"].to_list()
    assert chances == sorted(chances, reverse=True)
    assert sum(chances) <= 1.0 + 1e-9


def test_a_chord_that_no_hand_can_stop_has_no_ways() -> None:
    assert _run(_with_chord(_tables(FIRST_POSITION), [55.0, 57.0], start_s=5.4)).tables["t"]["chord_hand"].is_empty()


def test_the_best_paths_are_marked() -> None:
    notes = _run(_tables([*FIRST_POSITION, 78, 86], slide_at=14)).tables["t"]["note_hand"]
    first = notes.filter(pl.col("best_path_rank") == 1)
    assert first["note_id"].n_unique() == first.height == 15
    assert first["on_best_path"].all()
    assert not notes.filter(pl.col("best_path_rank") > 1)["on_best_path"].any()
    assert notes["best_path_rank"].max() > 1


def test_the_same_input_gives_the_same_tables() -> None:
    one, other = (_run(_tables(FIRST_POSITION)).tables["t"] for _ in range(2))
    assert all(one[name].equals(other[name]) for name in STEP.writes)


def test_a_slide_to_a_fourth_finger_is_told() -> None:
    slide = _run(_tables([*FIRST_POSITION, 78, 86], slide_at=14)).tables["t"]["slide_hand"]
    first = slide.filter(pl.col("rank") == 1).row(0, named=True)
    assert (first["from_finger"], first["to_finger"]) == (1, 4)
    assert (first["string"], first["from_position"], first["to_position"]) == ("E", 1, 3)


def test_each_reading_of_an_ambiguous_speed_has_its_hand() -> None:
    notes = _run(_tables(FIRST_POSITION, state="ambiguous")).tables["t"]["note_hand"]
    assert sorted(notes["speed_rank"].unique().to_list()) == [1, 2]
    opened = (pl.col("finger") == 0) & (pl.col("probability") > 0.3)
    one = set(notes.filter(opened & (pl.col("speed_rank") == 1))["note_id"])
    other = set(notes.filter(opened & (pl.col("speed_rank") == 2))["note_id"])
    assert one
    assert not one & other  # a semitone higher no open string is where it was
    shares = notes.select("speed_rank", "speed_share").unique().sort("speed_rank")["speed_share"]
    np.testing.assert_allclose(shares, [0.5 / 0.95, 0.45 / 0.95])


def test_readings_that_change_no_hand_are_one() -> None:
    speed = {"state": "ambiguous", "offset_cents": 0.0, "reference_pitch_hz": 440.0}
    first = {"rank": 1, "offset_cents": 0.0, "reference_pitch_hz": 440.0, "probability": 0.5}
    # A4 = 435 is 19.8 cents lower: the same hand.
    same = {"rank": 2, "offset_cents": -19.8, "reference_pitch_hz": 435.0, "probability": 0.1}
    semitone = {"rank": 3, "offset_cents": 100.0, "reference_pitch_hz": 440.0, "probability": 0.2}
    np.testing.assert_allclose(readings(speed, pl.DataFrame([first, same])), [(0.0, 1.0)])
    np.testing.assert_allclose(readings(speed, pl.DataFrame([first, same, semitone])), [(0.0, 0.75), (1.0, 0.25)])


def test_a_hand_that_is_likely_by_several_pitches_together_is_a_reading() -> None:
    speed = {"state": "estimated", "offset_cents": 0.0, "reference_pitch_hz": 440.0}
    each = {"offset_cents": 100.0, "probability": 0.06}
    rows = [
        {"rank": 1, "offset_cents": 0.0, "reference_pitch_hz": 440.0, "probability": 0.88},
        {"rank": 2, **each, "reference_pitch_hz": 440.0},
        {"rank": 3, **each, "reference_pitch_hz": 439.0},
    ]
    np.testing.assert_allclose([one.share for one in readings(speed, pl.DataFrame(rows))], [0.88, 0.12])


def test_a_ruling_leaves_one_hand() -> None:
    speed = {"state": "decided", "offset_cents": 30.0, "reference_pitch_hz": 440.0}
    others = [{"rank": 1, "offset_cents": 130.0, "reference_pitch_hz": 440.0, "probability": 0.9}]
    assert readings(speed, pl.DataFrame(others)) == [(0.0, 1.0)]


def test_a_pitch_off_the_instrument_is_said() -> None:
    notes = _run(_tables([71, 40, 73])).tables["t"]["note_hand"]
    off = notes.filter(pl.col("note_id") == "t-n400").row(0, named=True)
    assert off["string"] is None
    assert off["cannot_tell"]


def test_no_notes_is_a_result() -> None:
    given = _run(_tables([]))
    assert given.outcomes["t"][0] == "cannot_tell"
    assert all(frame.height == 0 for frame in given.tables["t"].values())


def _printed(midi: float, event: int, string: str | None, finger: int | None, **other: Any) -> dict[str, Any]:
    row = {"note_number": event, "event": event, "midi": midi, "string": string, "finger": finger}
    return row | {"position": None, "slide_marked": False} | other


def _laid(tables: dict[str, pl.DataFrame], events: list[int | None], *, shift: int = 0) -> dict[str, pl.DataFrame]:
    """The tables with each note laid on the event of that number; going back begins another run."""
    own = {"transfer_id": "t", "take_id": "k", "edition": "made up"}
    rows, run, before = [], 1, 0
    for note_id, event in zip(tables["note"].sort("start_s")["note_id"], events, strict=True):
        if event is not None:
            run, before = run + (event < before), event
        of = {"run": run, "time_through": run} if event is not None else {}
        rows.append({**own, "note_id": note_id, "event": event, **of})
    fit = {**own, "shift_semitones": shift, "tuning_cents": 0.0}
    return {**tables, "written_match": _frame("written_match", rows), "written_fit": _frame("written_fit", [fit])}


def test_a_printed_fingering_is_compared() -> None:
    marks: list[tuple[str | None, int | None]] = [("G", 0), ("G", 1), ("G", 2), ("G", 3), ("G", 4), (None, None)]
    pitches = [55.0, 57.0, 59.0, 60.0, 62.0, 100.0]
    printed = [_printed(m, i, s, f) for i, (m, (s, f)) in enumerate(zip(pitches, marks, strict=True), start=1)]
    tables = _laid(_tables([55, 57, 59, 60, 62]), [1, 2, 3, 4, 5])
    match = _run(tables, printed={"made up": printed}).tables["t"]["fingering_match"]
    assert schema.load("fingering_match").violations(match) == []
    assert match["verdict"].to_list()[-1] == "not_found"
    assert match["note_id"].null_count() == 1
    assert (match["verdict"] == "differ").sum() == 0
    assert (match["verdict"] == "agree").sum() >= 2


def test_what_is_not_marked_is_played_where_the_hand_is() -> None:
    # On the violin's E string: 1 on F#5 is first position, 3 on E6 fifth or so; A5 and B5 lie under a hand on F#5, but
    # E6 does not. Common practice, from memory.
    board = fingerboard("violin")

    def notes(*marks: tuple[float, str | None, int | None]) -> list[dict[str, Any]]:
        return [_printed(midi, i, string, finger) for i, (midi, string, finger) in enumerate(marks, start=1)]

    silent = (None, None)
    told = printed_shifts(notes((76, *silent), (78, "E", 1), (81, *silent), (88, "E", 3), (87, *silent)), board)
    assert told == [None, False, True, False, None]
    lost = printed_shifts(notes((78, "E", 1), (90, *silent), (78, *silent)), board)
    assert lost == [None, None, None]  # an unmarked note out of reach: the print is silent from there
    assert printed_shifts(notes((78, "E", 1), (81, "E", 3), (81, "E", 1)), board) == [False, True, None]


def test_scordatura_changes_the_strings() -> None:
    usual = _run(_tables([57, 59, 61])).tables["t"]["note_hand"].filter(pl.col("rank") == 1)
    tuned = _run(_tables([57, 59, 61]), tuning="A3 D4 A4 E5").tables["t"]["note_hand"].filter(pl.col("rank") == 1)
    assert usual["finger"].to_list() != tuned["finger"].to_list()
    low = _run(_tables([55, 57, 59]), tuning="A3 D4 A4 E5").tables["t"]["note_hand"].filter(pl.col("rank") == 1)
    assert low["string"].to_list()[0] is None


def test_a_print_played_twice_is_compared_twice() -> None:
    printed = [_printed(76.0, 1, "A", 4, position=1), _printed(81.0, 2, "E", 4), _printed(83.0, 3, "E", 1)]
    # A whole tone higher, with an ornament; the second time the last note is an octave off and another is missing.
    notes = _tables([78, 83, 84, 85, 78, 73], slide_at=3)
    match = _run(_laid(notes, [1, 2, None, 3, 1, 3], shift=2), printed={"made up": printed}).tables["t"][
        "fingering_match"
    ]
    told = {(row["note_number"], row["time_through"]): row for row in match.iter_rows(named=True)}
    assert {key: row["note_id"] for key, row in told.items()} == {
        (1, 1): "t-n0",
        (2, 1): "t-n400",
        (3, 1): "t-n1200",
        (1, 2): "t-n1600",
        (3, 2): None,
    }
    assert told[3, 2]["verdict"] == "not_found"
    assert told[2, 1]["slide_heard"] is True  # by way of the ornament
    assert told[1, 2]["slide_heard"] is None  # the next printed note was not found
    assert told[1, 1]["slide_heard"] is False
    assert told[1, 1]["printed_position"] == 1
    in_key = [_printed(row["midi"] + 2, row["event"], row["string"], row["finger"]) for row in printed]
    same = _run(_laid(notes, [1, 2, None, 3, 1, 3]), printed={"made up": in_key}).tables["t"]["fingering_match"]
    # Of a transposed take string and finger are compared, the position not.
    assert same["probability"].to_list() == match["probability"].to_list()


@pytest.mark.parametrize(
    "changed",
    [
        {"one_string": 3.0},
        {"open_strings": -3.0},
        {"fourth_finger": 2.0},
        {"even_positions": 2.0},
        {"high_positions": 0.5},
        {"same_finger": 3.0},
        {"least_margin": 0.9},
        {"least_probability": 0.99},
    ],
    ids=lambda changed: next(iter(changed)),
)
def test_another_setting_gives_another_hand_and_another_key(changed: dict[str, Any]) -> None:
    tables = _tables([*FIRST_POSITION, 78, 86, 83, 81], slide_at=14)
    late = pl.col("note_id").str.slice(3).cast(pl.Int64) >= 2400
    tables["note"] = tables["note"].with_columns(pl.col("start_s", "end_s") + pl.when(late).then(0.8).otherwise(0.0))

    def told(settings: HandSettings) -> pl.DataFrame:
        return _run(tables, settings=settings).tables["t"]["note_hand"]

    def key(settings: Settings) -> str:
        values = group_values(settings, "hand")
        return Reads(STEP, settings=values, facts={}, samples={}, sounds={}, files={}, inputs={}).key

    other = HandSettings.model_validate(changed)
    assert not told(other).equals(told(DEFAULTS))
    assert key(Settings(hand=other)) != key(Settings())


def test_reasons_in_words_by_size_first_for_and_then_against() -> None:
    assert reason_words(np.log([2.0, 1.2, 12.0])) == (
        "for it: the notes around (12 times), slides or their absence (2.0 times)"
    )
    assert reason_words(np.log([1.0 / 3.0, 5000.0, 1.0])) == (
        "for it: pitch and vibrato (1,000 times and more); against it: slides or their absence (3.0 times)"
    )
    assert reason_words(np.zeros(3)) == "nothing in particular: it is what players usually do"
