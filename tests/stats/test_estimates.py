"""Rates of many groups: which spread the limits of few clusters are made with."""

import polars as pl
import pytest

from pipeline.stats.estimates import COUNTED, MEASURES, estimates
from pipeline.stats.rates import Spread


def clusters(*names: str) -> pl.DataFrame:
    rows = [{"group_key": "g", "cluster": name, "is_assumed": False, **dict.fromkeys(COUNTED, 6.0)} for name in names]
    return pl.DataFrame(rows)


@pytest.mark.parametrize(("names", "is_wider"), [(("ann",), True), (("ann", "bo"), False)])
def test_a_group_that_is_one_players_alone_is_no_surer_than_the_player_is(names, is_wider):
    between, sessions = (dict.fromkeys(MEASURES, Spread(variance, 8)) for variance in (0.1, 0.9))

    def high(**known: dict[str, Spread]) -> list[float]:
        made = estimates(clusters(*names), grouping="year", cluster_unit="player", seed=1, **known)
        return made["high"].to_list()

    own = estimates(clusters(*names), grouping="player", cluster_unit="session", seed=1, pooled=sessions)
    plain, both = high(pooled=between), high(pooled=between, within=sessions)
    assert both == pytest.approx(own["high"].to_list()) if is_wider else both == plain
    assert (both[0] > plain[0]) == is_wider
