"""Draws the sample of a listening check: a stratified random sample with known sampling probabilities.

Three populations are drawn from: slides found, changes of note without one, and 3-second stretches of counted
solo without one; the last two tell what is missed. Within each population every stratum gets an equal share, as
far as it reaches, and the rest goes to the larger ones. What an item weighs is the size of its stratum over the
number drawn from it (Horvitz and Thompson 1952).
"""

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

STRETCH_S = 3.0
SHARES = {"slide": 0.3, "transition": 0.6, "stretch": 0.1}
"""Parts of a sample: misses are rarer than inventions, and what is not known of them is most of the doubt."""
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
    slides : transfer_id, transfer_start_s, transfer_end_s.
    """
    made = []
    for span in spans.sort("transfer_id", "transfer_start_s").iter_rows(named=True):
        count = int((span["transfer_end_s"] - span["transfer_start_s"]) // STRETCH_S)
        near = slides.filter(pl.col("transfer_id") == span["transfer_id"])
        starts, ends = near["transfer_start_s"].to_numpy(), near["transfer_end_s"].to_numpy()
        for n in range(count):
            start = span["transfer_start_s"] + n * STRETCH_S
            end = start + STRETCH_S
            if not ((starts < end) & (ends > start)).any():
                made.append({**span, "transfer_start_s": start, "transfer_end_s": end})
    return pl.DataFrame(made, schema=spans.schema)


def portions(number: int, sizes: Mapping[str, int]) -> tuple[dict[str, int], int]:
    """How many of ``number`` excerpts to draw from each population, and how many of them to hear twice."""
    again = repeats(min(number, sum(sizes.values())))
    return allot(sizes, number=number - again, shares=SHARES), again


def in_strata(population: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    """The population with the words of each item's ``stratum``, made of what stands in these columns."""
    words = [pl.col(name).fill_null("unknown").cast(pl.String) for name in columns]
    return population.with_columns((pl.concat_str(words, separator=" · ") if words else pl.lit("all")).alias("stratum"))


def draw(population: pl.DataFrame, *, number: int, columns: Sequence[str], rng: np.random.Generator) -> pl.DataFrame:
    """``number`` rows of ``population`` (fewer if it is smaller), with their stratum and sampling weight.

    Adds ``stratum`` (text), ``stratum_size`` and ``stratum_drawn``. The rows must be in a fixed order.
    """
    named = in_strata(population, columns)
    sizes = dict(named.group_by("stratum").len().sort("stratum").iter_rows())
    wanted = allot(sizes, number=number)
    picked = [named.clear().with_columns(stratum_size=pl.lit(0), stratum_drawn=pl.lit(0))]
    for stratum, size in sizes.items():
        rows = named.filter(pl.col("stratum") == stratum)
        chosen = np.sort(rng.choice(size, size=wanted[stratum], replace=False))
        picked.append(
            rows.gather(chosen.tolist()).with_columns(stratum_size=pl.lit(size), stratum_drawn=pl.lit(wanted[stratum]))
        )
    return pl.concat(picked)


def allot(sizes: Mapping[str, int], *, number: int, shares: Mapping[str, float] | None = None) -> dict[str, int]:
    """How many to draw from each stratum: equal shares, or those given; none more than it holds, in all ``number``,
    or all there are."""
    wanted = dict.fromkeys(sizes, 0)
    left = min(number, sum(sizes.values()))
    while left > 0:
        part = {name: 1.0 if shares is None else shares[name] for name in sizes if wanted[name] < sizes[name]}
        each = left / sum(part.values())
        # The larger strata come first, so that what does not divide evenly goes to them.
        for name in sorted(part, key=lambda one: (-sizes[one], one)):
            more = min(max(1, int(each * part[name])), sizes[name] - wanted[name], left)
            wanted[name] += more
            left -= more
    return wanted
