"""Rates per minute hold the error of the speeds: worked out by hand."""

import math

import polars as pl
import pytest
from scipy import stats

from pipeline.steps.summarise.timing import rates_with_speed_error, ratios_with_speed_error, speed_reach
from tests.helpers.made_rows import joined, side, solo, tallies

CENT = math.log(2) / 1200


def corpus(*, sessions):
    """Two minutes of one player on two sides, whose speeds are known to 100 and to 12 cents either way."""
    parts = [
        {"player": [{"player_id": "ann", "name": "Ann"}]},
        {"session": [{"session_id": name} for name in sorted(set(sessions))]},
    ]
    for name, session, cents in zip(("x1", "x2"), sessions, (100.0, 12.0), strict=True):
        made = side(name, f"t-{name}")
        made["speed"] = [
            {"transfer_id": name, "state": "estimated", "speed_ratio": 1.0, "offset_cents": 0.0,
             "offset_low_cents": -cents, "offset_high_cents": cents}
        ]  # fmt: skip
        parts += [
            made,
            {
                "take": [{"take_id": f"t-{name}", "session_id": session}],
                "performance": [{"take_id": f"t-{name}", "player_id": "ann", "certainty": "certain"}],
                "solo_span": [solo(name, f"t-{name}", "ann", to=60.0)],
            },
        ]
    return tallies(**joined(*parts))


@pytest.mark.parametrize(
    ("sessions", "cents"), [(("z1", "z2"), math.hypot(100, 12) / 2), (("z1", "z1"), (100 + 12) / 2)]
)
def test_errors_add_up_within_a_session_and_in_squares_between_sessions(sessions, cents):
    made = speed_reach(corpus(sessions=sessions), {"player": pl.DataFrame()})
    assert made.filter(grouping="player", group_key="ann")["reach"].to_list() == [pytest.approx(cents * CENT)]


def test_limits_of_rates_per_minute_alone_are_wider_and_zeros_stay():
    reach = pl.DataFrame({"grouping": ["player"], "group_key": ["ann"], "reach": [0.3]})
    rows = [("slides_per_minute", 2.0, 1.0, 4.0), ("slides_per_100_transitions", 2.0, 1.0, 4.0)]
    rows.append(("slides_per_minute", 0.0, 0.0, 4.0))
    columns = ("measure", "rate", "low", "high")
    rates = pl.DataFrame(rows, schema=columns, orient="row").with_columns(
        grouping=pl.lit("player"),
        group_key=pl.lit("ann"),
        **{f"corrected{x}": pl.lit(None, pl.Float64) for x in ("", "_low", "_high")},
    )
    factor = math.exp(math.hypot(math.log(2), 0.3))
    made = rates_with_speed_error(rates, reach).select(columns[1:]).rows()
    assert made[0] == pytest.approx((2.0, 2 / factor, 2 * factor))
    assert made[1] == (2.0, 1.0, 4.0)
    assert made[2] == pytest.approx((0.0, 0.0, 4 * math.exp(0.3)))


def test_a_ratio_holds_the_errors_of_both():
    reach = pl.DataFrame({"grouping": ["school"] * 2, "group_key": ["s/a", "s/b"], "reach": [0.3, 0.4]})
    ratios = pl.DataFrame(
        {"grouping": ["school"], "group_key": ["s/a"], "other_key": ["s/b"], "measure": ["slides_per_minute"],
         "ratio": [1.0], "ratio_low": [0.5], "ratio_high": [2.0], "p": [None], "log_se": [None], "freedom": [None]},
        schema_overrides=dict.fromkeys(("p", "log_se", "freedom"), pl.Float64),
    ).with_columns(**{f"ratio_corrected{x}": pl.lit(None, pl.Float64) for x in ("", "_low", "_high")})  # fmt: skip
    made = ratios_with_speed_error(ratios, reach)
    assert made["ratio_high"].to_list() == [pytest.approx(math.exp(math.hypot(math.log(2), 0.5)))]
    assert made.columns == ratios.columns


def test_p_says_what_the_limits_say():
    # Where p was .05 of a ratio of 2 of many players, the lower limit was 1; with the speeds' error both say less.
    log_se, reach = math.log(2) / 1.959964, 0.5
    rows = {
        "grouping": ["school"] * 2, "group_key": ["s/a"] * 2, "other_key": ["s/b"] * 2,
        "measure": ["slides_per_minute", "slides_per_100_transitions"], "ratio": [2.0] * 2, "ratio_low": [1.0] * 2,
        "ratio_high": [4.0] * 2, "p": [0.05] * 2, "log_se": [log_se] * 2, "freedom": [1e9] * 2,
        **{f"ratio_corrected{x}": [None] * 2 for x in ("", "_low", "_high")},
    }  # fmt: skip
    ratios = pl.DataFrame(rows, schema_overrides={f"ratio_corrected{x}": pl.Float64 for x in ("", "_low", "_high")})
    known = pl.DataFrame({"grouping": ["school"], "group_key": ["s/a"], "reach": [reach]})
    minute, hundred = ratios_with_speed_error(ratios, known).iter_rows(named=True)
    half = math.hypot(math.log(2), reach)
    assert math.log(2 / minute["ratio_low"]) == pytest.approx(half)
    assert minute["p"] == pytest.approx(2 * stats.norm.sf(math.log(2) / (half / 1.959964)), rel=1e-5)
    assert hundred["p"] == pytest.approx(0.05)
