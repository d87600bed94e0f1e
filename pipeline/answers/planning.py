"""How many players, slides and minutes a comparison needs, from what a corpus tells of its players."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.answers.number_words import rounded, with_limits
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.errors import DataError, UsageError
from pipeline.stats.planning import POWER, Design, Plan, plan
from pipeline.stats.whose_rate import LEAST_MEAN_SLIDES, LEAST_PLAYERS_FOR_RATES, LEAST_PLAYERS_FOR_SPREAD

CHANGE_SPREAD = 0.2
"""How much players' own log ratios differ (judgement: no corpus has told it yet)."""


def planned(folder: Path | str, *, ratios: Sequence[float], days: float, slides: float) -> list[str]:
    """Lines of text: the spread of the corpus, then what each ratio needs.

    Raises
    ------
    DataError
        If the corpus has too few players to tell their spread.
    UsageError
        If a ratio is not positive or is 1.
    """
    with OpenCorpus(folder) as corpus:
        known = corpus.view("summary.player_effect", where="measure = 'slides_per_minute'")
    if known.is_empty():
        raise DataError(
            f"{folder}: fewer than the {LEAST_PLAYERS_FOR_RATES} players with slides that a spread needs",
            "add takes of others, or judge more of those that are there",
        )
    row = known.row(0, named=True)
    if row["player_spread"] is None:
        enough = f"{LEAST_PLAYERS_FOR_SPREAD} players, or {LEAST_MEAN_SLIDES:g} slides of every second one, tell it"
        raise DataError(f"{folder}: {row['warning']}", f"add takes: {enough}")
    design = Design(row["player_spread"], row["session_spread"], CHANGE_SPREAD, days, slides)
    try:
        plans, least, most = (
            plan(replace(design, spread=row[f"player_spread{limit}"]), ratios) for limit in ("", "_low", "_high")
        )
    except ValueError as error:
        raise UsageError(f"--ratio: {error}") from None
    spread = with_limits(row["player_spread"], row["player_spread_low"], row["player_spread_high"])
    minutes = slides / row["typical_rate"]
    return [
        f"Players of this corpus differ by {spread} on the logarithm of their rates, recording days of one player by "
        f"{row['session_spread']:.2f} ({row['players']} players).",
        f"With {rounded(days)} recording days and {rounded(slides)} slides each in each group (some {rounded(minutes)} "
        f"minutes of a typical player), a ratio is found in {100 * POWER:.0f} of 100 such studies with:",
        *map(_line, plans, least, most),
        "In brackets: if players differ by as little or as much as the limits say. For those who stand in both that "
        f"makes no difference, so that no range is given; that they differ by {CHANGE_SPREAD:g} in how they change is "
        "assumed.",
    ]


def _line(each: Plan, least: Plan, most: Plan) -> str:
    between = (
        f"{_players(each.players_in_each)} ({_players(least.players_in_each)} to {_players(most.players_in_each)})"
    )
    return (
        f"  ratio {each.ratio:g}: {between} players in each group, or {_players(each.same_players)} who stand in both"
    )


def _players(number: int | None) -> str:
    return "more than 10,000" if number is None else f"{number:,}"
