"""The picture of how many slides would be found on one side, from slides planted in its own sound."""

import numpy as np
import polars as pl
from matplotlib.figure import Figure

from pipeline.kinds import Kind
from pipeline.pages.charts import BLUE, GREY, INK, drawn, svg
from pipeline.signal.recovery.search import DEEPEST_DB
from pipeline.stats.recovery import SURE_FROM_MS, Plantings, curves

_SIZE_INCHES = (8.4, 2.8)
_SIZES = (1.0, 3.0, 9.0)
LEAST = 5


def recovery_picture(rows: pl.DataFrame | None) -> str | None:
    """An SVG element, the same bytes for the same table; None where fewer than five slides were planted.

    Dots above are planted slides that were found, those below were not. The line is the chance of an unbroken slide of
    three semitones by this side's plantings alone, the band its 95 % limits; thin lines are those of one and of nine.
    """
    if rows is None or rows.height < LEAST:
        return None
    found = rows["found"].to_numpy().astype(bool)
    known = curves(plantings_of(rows), found, sides=1)
    ms = np.geomspace(25.0, 400.0, 120)
    with drawn():
        figure = Figure(figsize=_SIZE_INCHES)
        axes = figure.add_subplot()
        for size in _SIZES:
            asked = Plantings(
                np.zeros(ms.size, dtype=np.intp), ms, np.full(ms.size, size), np.zeros(ms.size, dtype=bool)
            )
            if size == 3.0:
                low, high = known.limits(asked)
                axes.fill_between(ms, low, high, color=BLUE, alpha=0.2, linewidth=0)
                axes.plot(ms, known.chance(asked), color=BLUE, linewidth=1.6, label="3 semitones (band: 95 %)")
            else:
                style = ":" if size < 3.0 else "--"
                axes.plot(
                    ms, known.chance(asked), color=INK, linewidth=0.8, linestyle=style, label=f"{size:g} semitones"
                )
        # Sizes and depths are told apart by the dots' size and place, so that none hides another.
        area = 6.0 + 4.0 * np.abs(rows["interval_cents"].to_numpy()) / 100.0
        aside = 0.05 * rows["fall_db"].to_numpy() / DEEPEST_DB
        axes.scatter(
            rows["duration_ms"],
            np.where(found, 1.03 + aside, -0.03 - aside),
            s=area,
            color=GREY,
            alpha=0.8,
            linewidths=0,
        )
        axes.axvline(SURE_FROM_MS, color=INK, linewidth=0.6, alpha=0.5)
        axes.set_xscale("log")
        ticks = [25, 50, 80, 100, 200, 400]
        axes.set_xticks(ticks, [f"{t}" for t in ticks])
        axes.set_xticks([], minor=True)
        axes.set(xlim=(25, 400), ylim=(-0.12, 1.12), xlabel="length of the slide (ms)", ylabel="chance to be found")
        axes.legend(loc="lower right", frameon=False, fontsize=8)
        return svg(figure, title=f"{int(found.sum())} of {rows.height} slides planted in this side were found")


def plantings_of(rows: pl.DataFrame) -> Plantings:
    """The planted slides of one side."""
    return Plantings(
        side=np.zeros(rows.height, dtype=np.intp),
        duration_ms=rows["duration_ms"].to_numpy(),
        semitones=rows["interval_cents"].to_numpy() / 100.0,
        broken=(rows["kind"] != Kind.SAME_FINGER).to_numpy(),
    )
