"""Charts of the overview page, drawn by matplotlib as SVG with text as text. The same data give the same bytes.

Colours are those of Okabe and Ito (Color Universal Design, 2008), told apart by colour-blind readers; shape,
fill and words carry everything that colour does.
"""

import io
import re
import textwrap
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import date
from typing import Any

import matplotlib as mpl

mpl.use("Agg")

import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, NullLocator, PercentFormatter

from pipeline.counted import counted

BLUE, ORANGE, GREEN, GREY, INK = "#0072b2", "#d55e00", "#009e73", "#77706a", "#221f1a"
HATCHES = ("", "////", "....", "xxxx", "\\\\\\\\", "oo")
_SHADES = (BLUE, "#e69f00", GREEN, "#cc79a7", "#56b4e9", "#bdb6a8")
_STYLE: Any = {
    "font.family": "serif",
    "font.size": 10,
    "svg.fonttype": "none",
    "svg.hashsalt": "glideline",
    "text.parse_math": False,  # a name may hold dollar signs
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": INK,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#ddd6c9",
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.8,
    "figure.constrained_layout.use": True,
}
Row = Mapping[str, Any]
WIDTH_INCHES = 9.0
# Limits of a rate further out than this many times the highest rate are cut off, so that the rates stay apart.
_FAR = 2.0


def drawn() -> AbstractContextManager[None]:
    """Draws as we do, whatever ``matplotlibrc`` says where the user happens to be, or at home."""
    return plt.style.context(["default", _STYLE])


def svg(figure: Figure, *, title: str, ways: Mapping[str, str] | None = None) -> str:
    """The figure as an SVG element with a title for those who cannot see it.

    ``ways``: what each address means that its marks lead to, for those who cannot see the mark.
    """
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None, "Title": title})
    plt.close(figure)
    text = buffer.getvalue()
    element = re.sub(r"<metadata>.*?</metadata>", "", text[text.index("<svg") :], flags=re.DOTALL)
    element = element.replace(' target="_blank"', "")
    for address, words in (ways or {}).items():
        element = element.replace(
            f'<a xlink:href="{_attribute(address)}"',
            f'<a href="{_attribute(address)}" aria-label="{_attribute(words)}"',
        )
    # What holds links is no image to a reader of screens.
    role = "group" if ways else "img"
    return element.replace("<svg ", f'<svg role="{role}" aria-label="{_attribute(title)}" ', 1)


def _ways(rows: Sequence[Row], name: str) -> dict[str, str]:
    """Where the marks of rows lead, with what stands under ``name``."""
    return {row["way"]: f"Sides: {row[name]}" for row in rows if row.get("way")}


def _doubt(row: Row) -> str:
    return f", {row['takes_doubtful']:.0f} doubtful" if row["takes_doubtful"] else ""


def _lead(labels: Sequence[Any], rows: Sequence[Row]) -> None:
    """Names beside an axis lead where their rows do."""
    for label, row in zip(labels, rows, strict=True):
        if row.get("way"):
            label.set_url(row["way"])


def _attribute(text: str) -> str:
    return text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")


def _figure(height: float) -> tuple[Figure, Axes]:
    return plt.subplots(figsize=(WIDTH_INCHES, height))


def _legend(axes: Axes, **more: Any) -> None:
    """A legend above the drawing, where it covers nothing."""
    axes.legend(frameon=False, loc="lower left", bbox_to_anchor=(0, 1.0), borderaxespad=0.2, fontsize=9, **more)


def variations(rows: Sequence[Row], *, measure: str) -> str:
    """An answer under each variation: a panel for each group, its value as counted as a line through all.

    Parameters
    ----------
    rows : varied, to, group, value, low, high; those as counted first.
    """
    groups = list(dict.fromkeys(row["group"] for row in rows))
    ways = list(dict.fromkeys((row["varied"], row["to"]) for row in rows))
    across = min(len(groups), 4)
    down = -(-len(groups) // across)
    with drawn():
        figure, panels = plt.subplots(
            down, across, sharey=True, squeeze=False, figsize=(2.6 + 2.2 * across, down * (0.22 * len(ways) + 0.9))
        )
        for place, axes in enumerate(panels.flat):
            if place >= len(groups):
                axes.set_visible(False)
                continue
            own = {(row["varied"], row["to"]): row for row in rows if row["group"] == groups[place]}
            known = [row["value"] for row in own.values() if row["value"]]
            reach = _FAR * max(known, default=1.0)
            for y, way in enumerate(ways):
                row = own.get(way)
                if row is None or row["value"] is None:
                    axes.text(reach * 0.02, y, "none", va="center", color=GREY, style="italic", fontsize=8)
                    continue
                colour = ORANGE if y == 0 else BLUE
                if row["low"] is not None and row["high"] is not None:
                    axes.plot([row["low"], min(row["high"], reach)], [y, y], color=colour, lw=1.6)
                    if row["high"] > reach:
                        axes.plot(reach, y, ">", color=colour, ms=4, clip_on=False)
                axes.plot(row["value"], y, "o", ms=5, color=colour)
                if y == 0:
                    axes.axvline(row["value"], color=ORANGE, lw=0.8, ls="--")
            axes.set_xlim(0, reach)
            axes.set_title(textwrap.fill(groups[place], 26), fontsize=9)
            axes.grid(axis="y", visible=False)
            axes.tick_params(labelsize=8)
        panels[0, 0].set_yticks(range(len(ways)), [" ".join(way).strip() for way in ways])
        panels[0, 0].set_ylim(len(ways) - 0.5, -0.5)
        figure.supxlabel(f"{measure}, with 95 % limits; broken: as counted", fontsize=9)
        return svg(figure, title=f"{measure} under each variation")


def rates_by_player(rows: Sequence[Row]) -> str:
    """Slides per 100 transitions of each player as a dot with its interval, ordered by birth."""
    rates = [row["slides_per_100_transitions"] for row in rows if row["slides_per_100_transitions"] is not None]
    reach = max(_FAR * max(rates, default=1.0), 1.0)
    with drawn():
        figure, axes = _figure(0.34 * max(len(rows), 3) + 0.9)
        for place, row in enumerate(rows):
            rate = row["slides_per_100_transitions"]
            if rate is None:
                words = "no rate worked out" if row["transitions"] else "not judged"
                axes.text(reach * 0.01, place, words, va="center", color=GREY, style="italic")
                continue
            low, high = row["slides_per_100_transitions_low"], row["slides_per_100_transitions_high"]
            weak = bool(row["warning"])
            if low is not None and high is not None:
                line = ":" if weak else "-"
                axes.plot([low, min(high, reach)], [place, place], color=BLUE, lw=2, ls=line, solid_capstyle="butt")
                if high > reach:
                    axes.plot(reach, place, ">", color=BLUE, ms=6, clip_on=False)
                    axes.annotate(
                        f"to {high:.0f}", (reach, place), xytext=(7, 0), textcoords="offset points", va="center",
                        fontsize=9, annotation_clip=False,
                    )  # fmt: skip
            (dot,) = axes.plot(rate, place, "o", ms=7, mfc="white" if weak else BLUE, mec=BLUE, mew=1.6)
            dot.set_url(row["way"] or None)
        names = [f"{row['player'] or 'no single player named'} ({row['born'] or '?'}){_doubt(row)}" for row in rows]
        axes.set_yticks(range(len(rows)), names)
        _lead(axes.get_yticklabels(), rows)
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.set_xlim(0, reach)
        axes.grid(axis="y", visible=False)
        axes.set_xlabel("slides per 100 transitions, with 95 % interval\n(open, dotted: rough, see the remarks)")
        title = "Slides per 100 transitions by player, ordered by birth"
        return svg(figure, title=title, ways=_ways(rows, "player"))


def rates_over_years(rows: Sequence[Row]) -> str:
    """Each take's rate over its recording date, if it has both; a rough date is a bar as long as its doubt."""
    with drawn():
        figure, axes = _figure(4.0)
        styles = {"acoustic": (ORANGE, "s", "white"), "electrical": (BLUE, "o", BLUE)}
        for row in rows:
            start, end = _year(row["recorded_earliest"]), _year(row["recorded_latest"], last=True)
            rate = row["slides_per_100_transitions"]
            if rate is None or start is None or end is None:
                continue
            colour, mark, fill = styles.get(row["process"], (GREY, "D", "white"))
            axes.plot([start, end], [rate, rate], color=colour, lw=2.2, alpha=0.85, solid_capstyle="butt")
            doubtful = row["certainty"] in ("possible", "probable")
            (dot,) = axes.plot(
                (start + end) / 2, rate, mark, ms=5.5, mfc=fill, mec=colour, mew=1.4, alpha=0.4 if doubtful else 1.0
            )
            dot.set_url(row["way"] or None)
        seen = {row["process"] if row["process"] in styles else "unknown process" for row in rows}
        for name, (colour, mark, fill) in {**styles, "unknown process": (GREY, "D", "white")}.items():
            if name in seen:
                axes.plot([], [], mark, mfc=fill, mec=colour, mew=1.4, label=name)
        if seen:
            _legend(axes, ncols=3)
        # A little below zero, so that a take without any slide is seen whole.
        axes.set_ylim(bottom=-0.03 * axes.get_ylim()[1])
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlabel("recorded (bar: all that the date may mean; pale: the player is named as possible or probable)")
        axes.set_ylabel("slides per 100 transitions")
        title = "Slides per 100 transitions of each take over its recording date"
        return svg(figure, title=title, ways=_ways(rows, "words"))


def sides_by_year(rows: Sequence[Row]) -> str:
    """What the corpus holds: one bar for each take at its possible dates, a line for each player."""
    players = list(dict.fromkeys(row["player"] for row in rows))
    with drawn():
        figure, axes = _figure(0.34 * max(len(players), 3) + 1.0)
        for row in rows:
            start, end = _year(row["recorded_earliest"]), _year(row["recorded_latest"], last=True)
            if start is None or end is None:
                continue
            judged = row["state"] == "judged"
            place = players.index(row["player"])
            bars = axes.barh(
                place, max(end - start, 0.35), left=start, height=0.55, alpha=0.75, lw=1.2,
                color=BLUE if judged else "white", edgecolor=BLUE if judged else GREY,
                hatch="" if judged else "////",
            )  # fmt: skip
            for bar in bars:
                bar.set_url(row["way"] or None)
        axes.set_yticks(range(len(players)), players)
        ways = {row["player"]: row["player_way"] for row in rows}
        _lead(axes.get_yticklabels(), [{"way": ways[player]} for player in players])
        axes.set_ylim(len(players) - 0.4, -0.6)
        axes.grid(axis="y", visible=False)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_xlabel("recorded (filled: judged; hatched: not judged)")
        title = "Takes in the corpus by player and recording date"
        to_sides = {row["player_way"]: f"Sides: {row['player']}" for row in rows if row["player_way"]}
        return svg(figure, title=title, ways=_ways(rows, "words") | to_sides)


def kinds_by_school(rows: Sequence[Row], kinds: Sequence[str]) -> str:
    """Share of each kind of slide in each school, as bars told apart by hatching as well as colour."""
    with drawn():
        figure, axes = _figure(0.5 * max(len(rows), 2) + 1.4)
        for place, row in enumerate(rows):
            left = 0.0
            for n, kind in enumerate(kinds):
                share = row[f"share_{kind}"] or 0.0
                axes.barh(place, share, left=left, color=_SHADES[n], hatch=HATCHES[n], edgecolor="white", height=0.6)
                if share > 0.08:
                    axes.text(
                        left + share / 2, place, f"{share:.0%}", ha="center", va="center", fontsize=9, color=INK,
                        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1, "alpha": 0.85},
                    )  # fmt: skip
                left += share
        for n, kind in enumerate(kinds):
            axes.barh([0], [0], color=_SHADES[n], hatch=HATCHES[n], edgecolor="white", label=kind.replace("_", " "))
        _legend(axes, ncols=3)
        names = [f"{row['school'] or 'in no school'} ({counted(row['slides'] or 0, 'slide')})" for row in rows]
        axes.set_yticks(range(len(rows)), names)
        _lead(axes.get_yticklabels(), rows)
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.set_xlim(0, 1)
        axes.grid(visible=False)
        axes.xaxis.set_major_formatter(PercentFormatter(1.0))
        return svg(figure, title="Kinds of slide by school", ways=_ways(rows, "school"))


def intervals_by_school(schools: Sequence[tuple[str, str, Sequence[Row]]], *, widest: int) -> str:
    """For each school, changes of note by interval (outlined) and how many of them are slid (filled).

    Parameters
    ----------
    schools : name, way to its sides, rows of semitones (1 to ``widest``, the last for all wider), direction,
        transitions and slides.
    """
    with drawn():
        figure, panels = plt.subplots(
            len(schools), 1, figsize=(WIDTH_INCHES, 1.9 * len(schools) + 0.7), sharex=True, sharey=True, squeeze=False
        )
        for axes, (name, to_sides, rows) in zip(panels[:, 0], schools, strict=True):
            for row in rows:
                sign = 1 if row["direction"] == "rising" else -1
                axes.bar(row["semitones"], sign * row["transitions"], width=0.8, fill=False, ec=GREY, lw=0.9)
                hatch = "" if sign > 0 else "////"
                axes.bar(
                    row["semitones"], sign * row["slides"], width=0.8, color=BLUE if sign > 0 else ORANGE,
                    hatch=hatch, ec="white", lw=0,
                )  # fmt: skip
            axes.axhline(0, color=INK, lw=0.8)
            axes.set_title(name, loc="left", fontsize=10).set_url(to_sides)
            axes.set_ylabel("falling\N{NO-BREAK SPACE}\N{NO-BREAK SPACE}\N{NO-BREAK SPACE}rising")
            axes.yaxis.set_major_formatter(lambda value, _: f"{abs(value):.0f}")
            axes.grid(axis="x", visible=False)
        semitones = range(1, widest + 1)
        panels[-1, 0].set_xticks(semitones, [*map(str, semitones[:-1]), f"{widest}+"])
        panels[-1, 0].set_xlabel("interval in semitones (outline: transitions; filled: those with a slide)")
        title = "Transitions and slides by interval and direction in each school"
        return svg(figure, title=title, ways={to_sides: f"Sides: {name}" for name, to_sides, _ in schools})


def lineage(people: Sequence[Row], links: Sequence[Row]) -> str:
    """Teachers and students through time: a dot at each birth, as large as the player's slide density.

    Parameters
    ----------
    people : player_id, player, year (of birth, float or None), takes in the corpus, and slides_per_100_transitions
        (None if unknown).
    links : teacher_id, student_id, certainty.
    """
    placed = {row["player_id"]: n for n, row in enumerate(people)}
    years = [row["year"] for row in people if row["year"] is not None]
    middle = sum(years) / len(years) if years else 1880.0
    x = {row["player_id"]: row["year"] if row["year"] is not None else middle for row in people}
    with drawn():
        figure, axes = _figure(0.42 * max(len(people), 4) + 1.0)
        for link in links:
            if link["teacher_id"] not in placed or link["student_id"] not in placed:
                continue
            style = {"certain": "-", "probable": "--", "possible": ":"}.get(link["certainty"], "-")
            axes.annotate(
                "", xy=(x[link["student_id"]], placed[link["student_id"]]),
                xytext=(x[link["teacher_id"]], placed[link["teacher_id"]]),
                arrowprops={"arrowstyle": "-|>", "color": GREY, "linestyle": style, "shrinkA": 7, "shrinkB": 7,
                            "connectionstyle": "angle3,angleA=-90,angleB=0", "lw": 1.1},
                zorder=1,
            )  # fmt: skip
        for row in people:
            rate = row["slides_per_100_transitions"]
            place = placed[row["player_id"]]
            if rate is None:
                axes.plot(x[row["player_id"]], place, "x", ms=7, color=GREY, mew=1.6)
                said = "no rate" if row["takes"] else "no recording"
            else:
                (dot,) = axes.plot(x[row["player_id"]], place, "o", ms=4 + rate**0.5 * 2.2, color=BLUE, mec="white")
                dot.set_url(row["way"] or None)
                said = f"{rate:.0f} per 100"
            unknown = "" if row["year"] is not None else ", birth unknown"
            text = axes.annotate(
                f"{row['player']} ({said}{unknown})", (x[row["player_id"]], place), xytext=(13, 0),
                textcoords="offset points", va="center", fontsize=9,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.85},
            )  # fmt: skip
            text.set_url(row["way"] or None)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.set_ylim(len(people) - 0.4, -0.6)
        left, right = axes.get_xlim()
        axes.set_xlim(left, right + (right - left) * 0.45)
        # Where nobody's birth is known there are no years to show.
        axes.xaxis.set_major_locator(MaxNLocator(integer=True) if years else NullLocator())
        key = "dot: larger where slides are denser; line: certain, broken: probable, dotted: possible"
        axes.set_xlabel(f"born ({key})" if years else key)
        return svg(figure, title="Teaching lineage through time with slide density", ways=_ways(people, "player"))


def calibration(rows: Sequence[Row]) -> str:
    """Predicted against heard share of slides, with the number judged beside each point.

    Parameters
    ----------
    rows : predicted, observed with its limits low and high, and judged.
    """
    with drawn():
        figure, axes = plt.subplots(figsize=(4.6, 4.2))
        axes.plot([0, 1], [0, 1], color=GREY, lw=1, ls="--")
        written: list[tuple[float, float]] = []
        for row in rows:
            here = (row["predicted"], row["observed"])
            axes.plot([row["predicted"]] * 2, [row["low"], row["high"]], color=BLUE, lw=1.6, clip_on=False)
            axes.plot(*here, "o", color=BLUE, clip_on=False, zorder=3)
            if any(abs(here[0] - x) < 0.07 and abs(here[1] - y) < 0.05 for x, y in written):
                continue
            written.append(here)
            axes.annotate(
                str(row["judged"]), (row["predicted"], row["observed"]), xytext=(-7, 0), textcoords="offset points",
                ha="right", va="center", fontsize=9,
            )  # fmt: skip
        axes.set_xlim(0, 1)
        axes.set_ylim(0, 1)
        axes.set_xlabel("stated confidence")
        axes.set_ylabel("share heard as slide")
        return svg(figure, title="Stated confidence against the share heard as slide")


def _year(day: date | None, *, last: bool = False) -> float | None:
    """A day as a fraction of its year; the last day of a range counts to its end."""
    if day is None:
        return None
    return day.year + (day.timetuple().tm_yday - (0 if last else 1)) / (366 if day.year % 4 == 0 else 365)
