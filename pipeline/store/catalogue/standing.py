"""Which verdicts of listeners stand: their files only grow, so what no longer stands is said in a later line."""

import polars as pl

WITHDRAWN = "withdrawn"
_STRETCH = ("transfer_id", "transfer_start_s", "listener", "sample_id", "item_id")


def standing(reviews: pl.DataFrame) -> pl.DataFrame:
    """``reviews`` without what was withdrawn: all of a stretch and listener up to the day of the last withdrawal."""
    withdrawn = pl.col("judged_on").filter(pl.col("verdict") == WITHDRAWN).max().over(_STRETCH)
    return reviews.filter(withdrawn.is_null() | (pl.col("judged_on") > withdrawn))
