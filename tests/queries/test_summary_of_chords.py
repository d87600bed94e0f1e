"""Shares of broken chords: made rows in, expected rows out, each worked by hand."""

from collections.abc import Sequence

import pytest
from scipy.stats import ttest_ind

from pipeline.stats.intervals import wilson_interval
from pipeline.stats.rates import pooled_spread, rate_interval, wider
from tests.helpers.made_rows import database, joined, many_players, rows, small, solo

COUNTS = ("notes", "takes", "players", "chords", "broken", "together", "cannot_tell", "share_broken")
LIMITS = ("share_broken_low", "share_broken_high", "cluster_unit", "clusters")


def _chords(transfer: str, *breakings: str, at: float = 1.0, notes: int = 3) -> list[dict]:
    """Chords a second apart."""
    return [
        {
            "chord_id": f"{transfer}-c{round(1000 * (at + n))}", "transfer_id": transfer, "take_id": "t" + transfer[1:],
            "transfer_start_s": at + n, "transfer_end_s": at + n + 0.4, "notes": notes, "breaking": breaking,
        }
        for n, breaking in enumerate(breakings)
    ]  # fmt: skip


@pytest.fixture(scope="module")
def con():
    """Ann (x1): two of three chords broken, one untold, and a double stop. Bo (x2): one of two broken."""
    unheard = [
        *_chords("x1", "from_below", at=120.0),  # after the counted solo
        *_chords("x1b", "from_below"),  # of a dub, where the original stands
        *_chords("x2", "from_below", at=70.0),  # of nobody known
        *_chords("x3", "from_below"),  # of a take that cannot be judged
    ]
    made = joined(
        small(),
        {
            "transfer": [{"transfer_id": "x1b", "side_id": "x1", "file": "x1b.wav", "generation": "dub"}],
            "solo_span": [solo("x1b", "t1", "ann", to=120.0), solo("x2", "t2", None, start=60.0, to=90.0)],
            "chord": [
                *_chords("x1", "from_below", "other", "together", "cannot_tell"),
                *_chords("x1", "together", at=10.0, notes=2),
                *_chords("x1", "cannot_tell", at=20.0, notes=4),
                *_chords("x2", "from_above", "together"),
                *unheard,
            ],
            "chord_note": [
                {"chord_id": name, "note_number": number, "midi": midi, "sounds_later": "no"}
                for name, number, midi in (("x1-c10000", 1, 62.0), ("x1-c10000", 2, 69.1), ("x1-c120000", 1, 55.0))
            ],
            "chord_hand": [
                {"chord_id": "x1-c10000", "note_number": number, "speed_rank": reading, "rank": rank}
                | {"string": string, "finger": rank - 1, "probability": 0.9 / rank / reading}
                for reading in (1, 2)
                for rank in (1, 2)
                for number, string in ((1, "D"), (2, "A"))
            ],
        },
    )
    return database(results=("chord_share",), **made)


def _limits(broken: Sequence[float], told: Sequence[float], pool: Sequence[tuple]) -> tuple[object, object]:
    # A lone player is reckoned with the spread between sessions where that is wider; nothing tells of it here.
    made = rate_interval(broken, told, seed=(1,), pooled=wider(pooled_spread(pool), pooled_spread([])), most=1.0)
    assert made is not None
    return pytest.approx(made.low), pytest.approx(made.high)


def test_broken_chords_by_player_with_sessions_as_clusters(con):
    found = rows(con, "summary.chords_by_player", "player_id", *COUNTS, *LIMITS)
    sessions = [([2], [3]), ([1], [2])]  # one each, which tell no spread between sessions
    assert found == [
        ("ann", 2, 1, 1, 1, 0, 1, 0, 0.0, *_limits([0], [1], []), "session", 1),
        ("ann", 3, 1, 1, 4, 2, 1, 1, pytest.approx(2 / 3), *_limits([2], [3], sessions), "session", 1),
        ("ann", 4, 1, 1, 1, 0, 0, 1, None, None, None, None, None),
        ("bo", 3, 1, 1, 2, 1, 1, 0, 0.5, *_limits([1], [2], sessions), "session", 1),
    ]


def test_broken_chords_by_school_and_period_with_players_as_clusters(con):
    players = [([2, 1], [3, 2])]
    ann = (3, 1, 1, 4, 2, 1, 1, pytest.approx(2 / 3), *_limits([2], [3], players), "player", 1)
    # Half of Bo's weight is in the school, half in none.
    half = (3, 1, 1, 1, 0.5, 0.5, 0, 0.5, *_limits([0.5], [1], players), "player", 1)
    found = rows(con, "summary.chords_by_school", "scheme", "school_id", *COUNTS, *LIMITS)
    assert [row for row in found if row[2] == 3] == [
        ("towns", "north", *ann),
        ("towns", "south", *half),
        ("towns", "unplaced", *half),
    ]
    found = rows(con, "summary.chords_by_period", "scheme", "period_id", *COUNTS, *LIMITS)
    whole = (3, 1, 1, 2, 1, 1, 0, 0.5, *_limits([1], [2], players), "player", 1)
    assert [row for row in found if row[2] == 3] == [("halves", "late", *whole), ("halves", "uncertain", *ann)]


def test_limits_allow_for_players_who_always_or_never_break_their_chords():
    made = many_players(players=12)
    made["chord"] = [
        chord
        for n in range(12)
        for chord in _chords(f"t{n}-0", *["from_below" if n % 4 < 2 else "together"] * 10)
    ]  # fmt: skip
    con = database(results=("chord_share",), **made)
    (found,) = con.execute(
        "select share_broken, share_broken_low, share_broken_high, clusters from summary.chords_by_school "
        "where school_id = 'north'"
    ).fetchall()
    independent = wilson_interval(30, trials=60)
    assert (found[0], found[3]) == (0.5, 6)
    assert found[2] - found[1] > 2 * (independent.high - independent.low)


def test_notes_of_chords_that_count_have_the_likeliest_way(con):
    columns = ("chord_id", "note_number", "player_id", "midi", "string", "finger", "way_probability")
    assert rows(con, "fact.chord_note", *columns) == [
        ("x1-c10000", 1, "ann", 62.0, "D", 0, 0.9),
        ("x1-c10000", 2, "ann", 69.1, "A", 0, 0.9),
    ]


def test_stretched_fingers_are_set_against_the_others_of_a_take():
    plain, stretched = (-3.0, 1.0, 4.0, 0.0, 2.0, -1.0, 5.0), (-8.0, -2.0, -9.0, -4.0, -6.0, -5.0)
    stops = [(cents, 0) for cents in plain] + [(cents, 1) for cents in stretched]
    # An open string, and a way that is not clear, say nothing of a finger.
    stops += [(20.0, 0), (30.0, 1)]
    names = [f"x1-c{1000 * n}" for n in range(1, len(stops) + 1)]
    made = joined(
        small(),
        {
            "chord": _chords("x1", *["together"] * len(stops), notes=2),
            "chord_note": [
                {"chord_id": name, "note_number": 1, "midi": 69.0, "mean_cents": cents, "sounds_later": "no"}
                for name, (cents, _) in zip(names, stops, strict=True)
            ],
            "chord_hand": [
                {"chord_id": name, "note_number": 1, "speed_rank": 1, "rank": 1, "string": "D", "strained": strained}
                | {"finger": 0 if cents == 20.0 else 4, "probability": 0.3 if cents == 30.0 else 0.9}
                for name, (cents, strained) in zip(names, stops, strict=True)
            ],
        },
    )
    limits = ("difference_cents", "difference_cents_low", "difference_cents_high")
    ((*found, low, high),) = rows(database(**made), "summary.stretched_fingers", "notes", "stretched_notes", *limits)
    test = ttest_ind(stretched, plain, equal_var=False)
    assert found == [7, 6, pytest.approx(sum(stretched) / 6 - sum(plain) / 7)]
    assert (low, high) == pytest.approx(tuple(test.confidence_interval()), abs=0.01)
