"""Which conclusions hang on the reading of the speed: made rows in, exact rows out."""

import pytest

from tests.helpers.made_rows import database

SEMITONE = 2.0 ** (1 / 12)


def speed(transfer_id, low, high, **more):
    return {
        "transfer_id": transfer_id, "state": "estimated", "speed_ratio": 1.0, "offset_cents": 0.0,
        "offset_low_cents": low, "offset_high_cents": high, "estimated_state": "estimated",
        "estimated_speed_ratio": 1.0, "reference_pitch_hz": 440.0, **more,
    }  # fmt: skip


def slide(number, transfer_id, take_id, duration_ms, gradient):
    return {
        "slide_id": f"{transfer_id}-{number}", "transfer_id": transfer_id, "take_id": take_id,
        "kind": "same_finger", "interval_cents": 300.0, "duration_ms": duration_ms, "gradient_cents_per_s": gradient,
        "transfer_start_s": 1.0 + number, "transfer_end_s": 1.2 + number, "transfer_audible_start_s": 1.0 + number,
        "transfer_audible_end_s": 1.2 + number, "start_s": 1.0 + number, "end_s": 1.2 + number,
    }  # fmt: skip


def hand(note, rank, finger):
    return {
        "note_id": note, "speed_rank": rank, "speed_share": 0.6 if rank == 1 else 0.4, "rank": 1,
        "transfer_id": "t1", "take_id": "k1", "string": "D", "finger": finger, "probability": 0.9,
    }  # fmt: skip


@pytest.fixture(scope="module")
def found():
    con = database(
        player=[{"player_id": "ann"}],
        side=[{"side_id": "s1"}, {"side_id": "s2"}],
        take=[{"take_id": "k1"}, {"take_id": "k2"}],
        performance=[{"take_id": k, "player_id": "ann", "instrument": "violin"} for k in ("k1", "k2")],
        side_take=[{"side_id": "s1", "take_id": "k1"}, {"side_id": "s2", "take_id": "k2"}],
        transfer=[{"transfer_id": "t1", "side_id": "s1"}, {"transfer_id": "t2", "side_id": "s2"}],
        speed=[speed("t1", -100.0, 100.0, state="ambiguous"), speed("t2", -12.0, 12.0)],
        solo_span=[
            {
                "transfer_id": t, "take_id": k, "player_id": "ann", "counted": True, "content": "solo",
                "transfer_start_s": 0.0,
                "transfer_end_s": 60.0, "start_s": 0.0, "end_s": 60.0,
            }
            for t, k in (("t1", "k1"), ("t2", "k2"))
        ],
        slide=[
            slide(0, "t1", "k1", 100.0, 900.0), slide(1, "t1", "k1", 200.0, -1500.0),
            slide(2, "t1", "k1", 300.0, 1200.0),
            slide(0, "t2", "k2", 200.0, 1000.0),
        ],
        note_hand=[hand("n1", 1, 1), hand("n1", 2, 2), hand("n2", 1, 1), hand("n2", 2, 1)],
    )  # fmt: skip
    rows = con.execute(
        "select thing, id, conclusion, value, low, high, changes, slides from summary.depends_on_speed order by all"
    ).fetchall()
    # What rests on few slides says so.
    assert {row[:2]: row[7] for row in rows if row[7] is not None} == {
        ("player", "ann"): 4, ("take", "k1"): 3, ("take", "k2"): 1
    }  # fmt: skip
    return {row[:3]: row[3:7] for row in rows}


def test_rates_durations_and_gradients_follow_the_limits(found):
    # s times as fast: rates and gradients times s, durations over s (as with any change of speed)
    assert found["take", "k1", "slides per minute"] == pytest.approx((3.0, 3.0 / SEMITONE, 3.0 * SEMITONE, True))
    duration = found["take", "k1", "median duration of slides, ms"]
    assert duration == pytest.approx((200.0, 200.0 / SEMITONE, 200.0 * SEMITONE, True))
    gradient = found["take", "k1", "median gradient of slides, cents/s"]
    assert gradient == pytest.approx((1200.0, 1200.0 / SEMITONE, 1200.0 * SEMITONE, True))


def test_a_well_known_speed_changes_nothing(found):
    value, low, high, changes = found["take", "k2", "slides per minute"]
    # 12 cents are 0.7 %
    assert (value, round(low, 4), round(high, 4), changes) == (1.0, 0.9931, 1.0070, False)


def test_fingers_under_another_reading_count_by_how_likely_it_is(found):
    # one of two notes changes, if the reading holds that is 40 % likely
    assert found["take", "k1", "notes with another string or finger, %"] == pytest.approx((20.0, 0.0, 50.0, True))
    assert ("take", "k2", "notes with another string or finger, %") not in found


def test_a_players_sides_go_together(found):
    slow = 4.0 / (SEMITONE + 2.0 ** (12 / 1200))
    fast = 4.0 / (1.0 / SEMITONE + 2.0 ** (-12 / 1200))
    assert found["player", "ann", "slides per minute"] == pytest.approx((2.0, slow, fast, False))
