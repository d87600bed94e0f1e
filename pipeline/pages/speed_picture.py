"""The picture of one side's speed: the correction along the side with its error, and the notes that it rests on."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from pipeline.answers.number_words import over_all_words, signed
from pipeline.pages.charts import BLUE, GREY, INK, ORANGE, drawn, svg
from pipeline.steps.settle.sides import sharp_curve
from pipeline.store.corpus import Corpus
from pipeline.units import cents_of_ratio

_SIZE_INCHES = (8.4, 3.2)
_POINT_AREA = 70.0


def speed_picture(corpus: Corpus, transfer_id: str) -> str | None:
    """An SVG element, the same bytes for the same tables; None for a transfer whose speed was not measured.

    The line is the correction without wow, the band two standard errors, each dot a steady note of the solo:
    where the correction would lie if that note alone were in tune. Larger dots are longer notes. Where a person ruled
    that the side ran at one speed, what is heard along it is a broken line.
    """
    tuning, speed = corpus.read("tuning", transfer_id), corpus.read("speed", transfer_id)
    curve = corpus.read("speed_curve", transfer_id)
    if tuning is None or speed is None or curve is None or not tuning["measured"][0]:
        return None
    row, settled = tuning.row(0, named=True), speed.row(0, named=True)
    sharp = sharp_curve(row)
    time_s = np.linspace(0.0, row["length_s"], 800)
    whole = np.interp(time_s, curve["transfer_time_s"].to_numpy(), curve["correction_cents"].to_numpy())
    wow = sharp.wow.at(time_s, length_s=row["length_s"]) if sharp.wow else np.zeros(time_s.size)
    smooth = whole + wow
    heard = smooth + sharp.mean_cents - sharp.drift_at(time_s) if settled["one_speed"] else smooth
    se = np.interp(time_s, curve["transfer_time_s"].to_numpy(), curve["se_cents"].to_numpy())
    lengths = np.asarray(row["note_length_s"])
    note_s = np.asarray(row["note_start_s"]) + 0.5 * lengths
    in_tune = np.interp(note_s, time_s, heard) - np.asarray(row["note_deviation_cents"])
    with drawn():
        figure = Figure(figsize=_SIZE_INCHES)
        axes = figure.add_subplot()
        area = _POINT_AREA * np.minimum(lengths, 1.5)
        axes.scatter(note_s, in_tune, s=area, color=GREY, alpha=0.45, linewidths=0, label="steady notes")
        axes.fill_between(time_s, smooth - 2 * se, smooth + 2 * se, color=BLUE, alpha=0.2, linewidth=0)
        axes.plot(time_s, smooth, color=BLUE, linewidth=1.6, label="correction, wow left out")
        if settled["one_speed"]:
            axes.plot(time_s, heard, color=GREY, linewidth=1.2, linestyle="--", label="as heard, ruled out")
        estimated = float(cents_of_ratio(settled["estimated_speed_ratio"]))
        if settled["state"] == "decided":
            axes.axhline(estimated, color=ORANGE, linewidth=1.0, linestyle="--", label="estimate, on the whole")
        jumps = zip(row["jump_s"], row["jump_from_s"], row["jump_to_s"], strict=True)
        for number, (jump_s, from_s, to_s) in enumerate(jumps):
            axes.axvspan(from_s, to_s, color=INK, alpha=0.12, linewidth=0)
            label = "_" if number else "sudden change (95 %)" + ", ruled out" * settled["one_speed"]
            axes.axvline(jump_s, color=INK, linewidth=0.8, linestyle=":", label=label)
        middle = float(np.mean(smooth))
        reach = max(30.0, 1.2 * float(np.max(np.abs(heard - middle))))
        axes.set(xlim=(0, row["length_s"]), ylim=(middle - reach, middle + reach))
        axes.set(xlabel="time in the transfer (s)", ylabel="add to raw pitch (cents)")
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1), frameon=False, fontsize=8, ncols=4)
        return svg(figure, title=_title(settled))


def _title(settled: dict[str, Any]) -> str:
    words = f"Correction along the side: {signed(settled['offset_cents'], 1)} cents on the whole"
    if settled["offset_low_cents"] is not None and settled["state"] != "decided":
        words += f" ({over_all_words(settled['offset_low_cents'], settled['offset_high_cents'])} over all readings)"
    if settled["wow_cents"] is not None:
        words += f", wow of {settled['wow_cents']:.1f} cents at {settled['wow_hz']:.3f} Hz not drawn"
    return words
