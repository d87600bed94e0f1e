"""How many players, slides and minutes a comparison needs, from what a corpus tells of its players."""

from collections.abc import Sequence
from pathlib import Path

from pipeline.answers.number_words import rounded, with_limits
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.errors import DataError, UsageError
from pipeline.stats.planning import POWER, Design, Plan, plan

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
        raise DataError(f"{folder}: fewer than three players with slides", "too few to tell how much players differ")
    row = known.row(0, named=True)
    design = Design(row["player_spread"], row["session_spread"], CHANGE_SPREAD, days, slides)
    try:
        plans = plan(design, ratios)
    except ValueError as error:
        raise UsageError(f"--ratio: {error}") from None
    spread = with_limits(row["player_spread"], row["player_spread_low"], row["player_spread_high"])
    minutes = slides / row["typical_rate"]
    return [
        f"Players of this corpus differ by {spread} on the logarithm of their rates, recording days of one player by "
        f"{row['session_spread']:.2f} ({row['players']} players).",
        f"With {rounded(days)} recording days and {rounded(slides)} slides each in each group (some {rounded(minutes)} "
        f"minutes of a typical player), a ratio is found in {100 * POWER:.0f} of 100 such studies with:",
        *(_line(each) for each in plans),
    ]


def _line(each: Plan) -> str:
    between = "more than 10,000" if each.players_in_each is None else f"{each.players_in_each}"
    within = "more than 10,000" if each.same_players is None else f"{each.same_players}"
    return f"  ratio {each.ratio:g}: {between} players in each group, or {within} who stand in both"
