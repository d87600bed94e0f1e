"""How a sample is shared out over populations and strata."""

import numpy as np
import polars as pl
import pytest

from pipeline.answers.listening.draw import allot, draw, portions


def test_strata_get_equal_shares_as_far_as_they_reach():
    assert allot({"a": 100, "b": 100, "c": 4}, number=44) == {"a": 20, "b": 20, "c": 4}
    assert allot({"a": 3, "b": 2}, number=9) == {"a": 3, "b": 2}
    assert sum(allot({"a": 7, "b": 50, "c": 50}, number=20).values()) == 20


def test_what_one_population_lacks_is_drawn_from_the_others():
    drawn, again = portions(200, {"slide": 1000, "transition": 5000, "stretch": 500})
    assert (drawn, again) == ({"slide": 54, "transition": 108, "stretch": 18}, 20)
    few, _ = portions(200, {"slide": 10, "transition": 5000, "stretch": 500})
    assert few["slide"] == 10
    assert sum(few.values()) == 180
    assert few["transition"] > 5 * few["stretch"]


def test_what_is_drawn_stands_for_all_of_its_stratum():
    population = pl.DataFrame({"id": range(1000), "process": ["acoustic"] * 900 + ["electrical"] * 100})
    drawn = draw(population, number=120, columns=["process"], rng=np.random.default_rng(1))
    assert drawn.height == 120 == drawn["id"].n_unique()
    stands_for = drawn.with_columns(pl.col("stratum_size") / pl.col("stratum_drawn"))
    assert stands_for["stratum_size"].sum() == pytest.approx(1000)
    assert draw(population.clear(), number=5, columns=[], rng=np.random.default_rng(1)).is_empty()
