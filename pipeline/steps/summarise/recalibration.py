"""Confidences brought home to the corpus by what listeners heard, with the record of it."""

import duckdb
import numpy as np
import polars as pl
from scipy import special

from pipeline.signal.slides.learned import learnt_share
from pipeline.stats.recalibration import LEAST_VERDICTS, chosen
from pipeline.steps.summarise.listening import judged_items

_CANDIDATES = """
select 1 / (1 + exp(-slide_score)) as chance
from fact.transition
where slide_score is not null
"""


def recalibration(con: duckdb.DuckDBPyConnection, *, wanted: bool, seed: int) -> pl.DataFrame:
    """The row of ``result.recalibration``."""
    items = judged_items(con, seed=seed).items
    chance = items["confidence"].fill_null(pl.Series(special.expit(items["score"].to_numpy()))).to_numpy()
    # In order, so that sums do not hang on that of the rows; numpy sorts millions in a tenth of the database's time.
    candidates = np.sort(con.execute(_CANDIDATES).fetchnumpy()["chance"])
    if not wanted or not candidates.size:
        return pl.DataFrame([{"used": "switched off", "verdicts": items.height, "least_verdicts": LEAST_VERDICTS}])
    made = chosen(candidates, chance, items["is_slide"].to_numpy(), learnt_share=learnt_share(), seed=(seed, 17))
    row: dict[str, str | float] = {"used": made.used, "verdicts": made.verdicts, "least_verdicts": LEAST_VERDICTS}
    if np.isfinite(made.loss_before):
        known = made.recalibration
        row |= {
            "learnt_share": learnt_share(),
            "share": known.share,
            "shift": known.shift,
            "offset": known.offset,
            "slope": known.slope,
            "loss_before": made.loss_before,
            "loss_after": made.loss_after,
        }
    return pl.DataFrame([row])
