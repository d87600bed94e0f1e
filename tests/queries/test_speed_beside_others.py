"""What others say of a transfer's speed: made rows in, exact rows out."""

from typing import Any

import pytest

from tests.helpers.made_rows import database


def speed(transfer_id: str, rpm: float, **more: Any) -> dict[str, Any]:
    return {
        "transfer_id": transfer_id, "state": "estimated", "speed_ratio": 1.0, "offset_cents": 0.0,
        "estimated_state": "estimated", "estimated_speed_ratio": 1.0, "reference_pitch_hz": 440.0, "playing_rpm": rpm,
        "offset_se_cents": 3.0, **more,
    }  # fmt: skip


def tuning(transfer_id: str, sharp: float, semitones: list[int]) -> dict[str, Any]:
    return {
        "transfer_id": transfer_id, "measured": True, "sharp_cents": sharp, "sharp_se_cents": 1.5,
        "note_semitone": semitones,
    }  # fmt: skip


def fit(transfer_id: str, take_id: str, shift: int, tempo: float | None) -> dict[str, Any]:
    return {
        "transfer_id": transfer_id, "take_id": take_id, "work_id": "air", "edition": "first", "state": "placed",
        "shift_semitones": shift, "beats_per_minute": tempo,
    }  # fmt: skip


@pytest.fixture(scope="module")
def rows() -> list[tuple[Any, ...]]:
    con = database(
        work=[{"work_id": "air"}, {"work_id": "long"}],
        written_part=[{"work_id": "air", "edition": "first"}, {"work_id": "long", "edition": "first"}],
        session=[{"session_id": "spring"}, {"session_id": "autumn"}],
        side=[{"side_id": f"s{i}"} for i in (1, 2, 3, 4, 5, 6, 7, 11, 12, 13, 14, 15)],
        take=[
            *(
                {"take_id": k, "work_id": "long", "session_id": "spring" if k != "k13" else "autumn"}
                for k in ("k11", "k12", "k13", "k14", "k15")
            ),
            *({"take_id": k, "work_id": "air"} for k in ("k1", "k2", "k3", "k4", "k6")),
            {"take_id": "k7", "work_id": "air", "key_played": "E flat major"},
        ],
        side_take=[
            {"side_id": "s1", "take_id": "k1"}, {"side_id": "s2", "take_id": "k2"}, {"side_id": "s3", "take_id": "k3"},
            {"side_id": "s4", "take_id": "k4", "part": 1}, {"side_id": "s5", "take_id": "k4", "part": 2},
            {"side_id": "s6", "take_id": "k6"}, {"side_id": "s7", "take_id": "k7"},
            *({"side_id": f"s{i}", "take_id": f"k{i}"} for i in (11, 12, 13, 14, 15)),
        ],
        transfer=[
            {"transfer_id": "t1a", "side_id": "s1", "stands_for_take": True},
            {"transfer_id": "t1b", "side_id": "s1", "stands_for_take": False},
            *({"transfer_id": f"t{i}", "side_id": f"s{i}"} for i in (2, 3, 4, 5, 6, 7, 11, 12, 13, 14, 15)),
        ],
        speed=[
            # as corrected t1a lies 7.7 cents above an A4 of 440 Hz, t1b 70 below, and one semitone more by its notes
            speed("t1a", 78.26, offset_cents=-12.0, reference_pitch_hz=442.0),
            speed("t1b", 83.0, offset_cents=-100.0), speed("t2", 78.0), speed("t3", 78.0),
            # t4 runs 20 cents faster at its end, t5 begins 10 cents slower than it goes on
            speed("t4", 76.0, last_cents=20.0, last_se_cents=5.0),
            speed("t5", 76.0 * 2 ** (60 / 1200), offset_cents=4.0, first_cents=-6.0, first_se_cents=12.0),
            speed("t6", 78.0, state="unmeasurable"),
            speed("t7", 78.0), *(speed(f"t{i}", 78.0) for i in (11, 13, 14, 15)), speed("t12", 78.0 * 2 ** (30 / 1200)),
        ],
        written_note=[
            {
                "work_id": "long", "edition": "first", "note_number": i, "event": i, "bar_index": i // 4, "beat": i % 4,
                "bar": str(i // 4), "midi": 60.0,
            }
            for i in range(40)
        ],
        performance=[
            {"take_id": take_id, "player_id": "cello" if take_id == "k14" else "violin"}
            for take_id in ("k11", "k12", "k13", "k14", "k15")
        ],
        # k11 ends in bar 4, k12 begins there and ends in bar 8; k13 is of another day, k14 of another player, k15 later
        written_match=[
            {
                "note_id": f"{take}-{event}", "transfer_id": f"t{take[1:]}", "take_id": take, "work_id": "long",
                "edition": "first", "event": event, "run": 0,
            }
            for take, first, last in (("k11", 0, 17), *((f"k{i}", 18, 33) for i in (12, 13, 14)), ("k15", 26, 39))
            for event in range(first, last + 1)
        ],
        # the same notes but for one that t1b lacks at its beginning
        tuning=[tuning("t1a", 19.7, [72, 60, 64, 60, 67]), tuning("t1b", 30.0, [59, 63, 59, 66])],
        written_fit=[
            fit("t1a", "k1", 0, 80.0), fit("t2", "k2", 1, 100.0), fit("t3", "k3", 1, None), fit("t6", "k6", -1, 80.0),
            fit("t7", "k7", 1, None),
            *(fit(f"t{i}", f"k{i}", 0, None) | {"work_id": "long", "tuning_cents": 4.0} for i in (11, 13, 14, 15)),
            fit("t12", "k12", -1, None) | {"work_id": "long", "tuning_cents": 10.0},
        ],
    )  # fmt: skip
    columns = "transfer_id, beside, compared, others, difference, doubtful, difference_se"
    return con.execute(f"select {columns} from summary.speed_beside_others").fetchall()


@pytest.fixture(scope="module")
def said(rows: list[tuple[Any, ...]]) -> dict[tuple[str, str, str], tuple[int, float, bool]]:
    return {tuple(row[:3]): tuple(row[3:6]) for row in rows}


@pytest.fixture(scope="module")
def errors(rows: list[tuple[Any, ...]]) -> dict[tuple[str, str], float | None]:
    return {(row[0], row[2]): row[6] for row in rows}


@pytest.mark.parametrize(
    ("transfer_id", "beside", "compared", "others", "difference", "doubtful"),
    [
        ("t1a", "another transfer of the side", "pitch as corrected, cents", 1, 177.7, True),
        ("t1b", "another transfer of the side", "pitch as corrected, cents", 1, -177.7, True),
        ("t4", "the next part of the take", "speed of the disc, cents", 1, -60.0, True),
        ("t5", "the part before of the take", "speed of the disc, cents", 1, 60.0, True),
        ("t4", "the next part of the take", "speed of the disc where they join, cents", 1, -30.0, False),
        ("t5", "the part before of the take", "speed of the disc where they join, cents", 1, 30.0, False),
        ("t11", "the side that goes on from its last bar", "pitch as corrected, cents", 1, 94.0, True),
        ("t12", "the side whose last bar it goes on from", "pitch as corrected, cents", 1, -94.0, True),
        ("t11", "the side that goes on from its last bar", "speed of the disc, cents", 1, -30.0, False),
        ("t1a", "the written part", "pitch as corrected, semitones", 1, 0.0, False),
        ("t2", "the written part", "pitch as corrected, semitones", 1, 1.0, True),
        ("t7", "the written part", "pitch as corrected, semitones", 1, 1.0, False),
        ("t1a", "other takes of the work", "pitch as corrected, semitones", 3, -1.0, True),
        ("t1a", "other takes of the work", "tempo, %", 3, -20.0, False),
    ],
)  # fmt: skip
def test_a_speed_is_held_against_others(
    said: dict[tuple[str, str, str], tuple[int, float, bool]],
    transfer_id: str, beside: str, compared: str, others: int, difference: float, doubtful: bool,
) -> None:  # fmt: skip
    found = said[transfer_id, beside, compared]
    assert found == (others, pytest.approx(difference), doubtful)


def test_sides_of_other_days_and_players_and_other_bars_are_not_joined(
    said: dict[tuple[str, str, str], tuple[int, float, bool]],
) -> None:
    assert {key[0] for key in said if "last bar" in key[1]} == {"t11", "t12"}


def test_speeds_have_the_error_of_both_readings(errors: dict[tuple[str, str], float | None]) -> None:
    # 3 and 3, 5 and 12 cents
    assert errors["t4", "speed of the disc, cents"] == pytest.approx(18**0.5)
    assert errors["t5", "speed of the disc where they join, cents"] == pytest.approx(13.0)
    assert errors["t1a", "pitch as corrected, cents"] == pytest.approx(4.5**0.5)


def test_nothing_is_compared_that_was_not_measured(said: dict[tuple[str, str, str], tuple[int, float, bool]]) -> None:
    assert ("t3", "other takes of the work", "tempo, %") not in said
    # of the others of t2 one lies at print, two above
    assert ("t2", "other takes of the work", "pitch as corrected, semitones") not in said
    assert not [key for key in said if key[0] == "t6" or (key[0] == "t2" and "transfer" in key[1])]
