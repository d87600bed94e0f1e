"""Draws the sample of a listening check: a stratified random sample with known sampling probabilities.

Three populations are drawn from: slides found, changes of note without one, and 3-second stretches of counted
solo without one; the last two tell what is missed. Within each population every stratum gets an equal share, as
far as it reaches, and the rest goes to the larger ones. What an item weighs is the size of its stratum over the
number drawn from it (Horvitz and Thompson 1952).
"""

from collections.abc import Sequence

import numpy as np
import polars as pl

STRETCH_S = 3.0
SHARES = {"slide": 0.5, "transition": 0.3, "stretch": 0.2}
MOST_REPEATS = 20
"""Agreement of .9 with oneself is then known to within .70 to .97 (Wilson limits of 18 in 20)."""


def repeats(items: int) -> int:
    """How many of ``items`` are drawn twice, to see how far a listener agrees with himself: a tenth, 20 at most."""
    return min(items // 10, MOST_REPEATS)


def stretches(spans: pl.DataFrame, slides: pl.DataFrame) -> pl.DataFrame:
    """Whole stretches of ``STRETCH_S`` in counted spans that no found slide touches.

    Parameters
    ----------
    spans : transfer_id, transfer_start_s, transfer_end_s, and any columns to keep.
    slides : transfer_id, transfer_audible_start_s, transfer_audible_end_s.
    """
    made = []
    for span in spans.sort("transfer_id", "transfer_start_s").iter_rows(named=True):
        count = int((span["transfer_end_s"] - span["transfer_start_s"]) // STRETCH_S)
        near = slides.filter(pl.col("transfer_id") == span["transfer_id"])
        starts = near["transfer_audible_start_s"].to_numpy()
        ends = near["transfer_audible_end_s"].to_numpy()
        for n in range(count):
            start = span["transfer_start_s"] + n * STRETCH_S
            end = start + STRETCH_S
            if not ((starts < end) & (ends > start)).any():
                made.append({**span, "transfer_start_s": start, "transfer_end_s": end})
    return pl.DataFrame(made, schema=spans.schema)


def draw(population: pl.DataFrame, *, number: int, strata: Sequence[str], rng: np.random.Generator) -> pl.DataFrame:
    """``number`` rows of ``population`` (fewer if it is smaller), with their stratum and sampling weight.

    Adds ``stratum`` (text), ``stratum_size`` and ``stratum_drawn``. The rows must be in a fixed order.
    """
    if population.is_empty():
        return population.with_columns(
            pl.lit("").alias("stratum"), pl.lit(0).alias("stratum_size"), pl.lit(0).alias("stratum_drawn")
        )
    words = [pl.col(name).fill_null("unknown").cast(pl.String) for name in strata]
    named = population.with_columns(
        (pl.concat_str(words, separator=" · ") if words else pl.lit("all")).alias("stratum")
    )
    sizes = dict(named.group_by("stratum").len().sort("stratum").iter_rows())
    wanted = allot(sizes, number=min(number, population.height))
    picked = []
    for stratum, size in sizes.items():
        rows = named.filter(pl.col("stratum") == stratum)
        chosen = np.sort(rng.choice(size, size=wanted[stratum], replace=False))
        picked.append(
            rows.gather(chosen.tolist()).with_columns(
                pl.lit(size).alias("stratum_size"), pl.lit(wanted[stratum]).alias("stratum_drawn")
            )
        )
    return pl.concat(picked)


def allot(sizes: dict[str, int], *, number: int) -> dict[str, int]:
    """How many to draw from each stratum: equal shares, none more than it holds, in all ``number``."""
    wanted = dict.fromkeys(sizes, 0)
    left = number
    while left > 0:
        open_strata = [name for name in sizes if wanted[name] < sizes[name]]
        share = max(1, left // len(open_strata))
        # The larger strata come first, so that what does not divide evenly goes to them.
        for name in sorted(open_strata, key=lambda each: (-sizes[each], each)):
            more = min(share, sizes[name] - wanted[name], left)
            wanted[name] += more
            left -= more
    return wanted
