"""Which edition each take follows in a passage, in words: what speaks for it and against it, and how much."""

from collections.abc import Sequence
from typing import Any

from pipeline.answers.number_words import ratio_of_log_words
from pipeline.answers.passages.gather import Passage
from pipeline.stats.editions import LEAST_PLACES

Row = dict[str, Any]
HEADS = ("take", "edition", "at shifts", "elsewhere", "fingers", "ratio (95 %)", "to others", "follows it?")
CAUTION = (
    "At shifts: places slid of those at which the edition moves the hand or prints a slide; elsewhere: of those at "
    "which it keeps the hand. Fingers: where nobody slid, those that are as printed. Ratio: how many times as likely "
    "all this is if the edition was followed as by chance (of fingers: by others' habits there); below 1 it speaks "
    "against. To others: against that other edition which comes nearest."
)
_SAYS = {"followed": "yes", "not_followed": "no", "cannot_tell": "cannot tell"}


def lines(passage: Passage) -> list[tuple[str, ...]]:
    """A line with cells as in ``HEADS`` for each take and edition of which there is evidence in these bars."""
    return [_line(row) for row in passage.followed if row["state"] == "told"]


def refused(passage: Passage) -> list[str]:
    """Sentences on those of which nothing is said: too few places, or other music."""
    said = []
    few = _takes(passage.followed, "too_little")
    if few and not lines(passage):
        said.append(
            f"Which edition is followed cannot be told from so few places: {LEAST_PLACES} are needed of which an "
            "edition says whether the hand moves, or with which finger."
        )
    elif few:
        said.append(f"Too few places to tell the edition: {few}.")
    if other := _takes(passage.followed, "other_music"):
        said.append(f"Other music than the edition has, so nothing is said of it: {other}.")
    return said


def _takes(rows: Sequence[Row], state: str) -> str:
    takes: dict[str, list[str]] = {}
    for row in rows:
        if row["state"] == state:
            takes.setdefault(row["edition"], []).append(row["take_id"])
    return "; ".join(f"{edition}: {', '.join(of)}" for edition, of in sorted(takes.items()))


def _line(row: Row) -> tuple[str, ...]:
    against = row["against_others"]
    return (
        row["take_id"],
        row["edition"],
        *(_of(row[f"{what}{ending}"], row[what]) for what, ending in _COUNTS),
        _ratio(*(row[f"log10_ratio{end}"] for end in ("", "_low", "_high"))),
        "" if against is None else _ratio(against, row["against_others_low"], row["against_others_high"]),
        _SAYS[row["verdict"]],
    )


_COUNTS = (("shifts", "_slid"), ("others", "_slid"), ("fingers", "_alike"))


def _of(some: float, whole: float) -> str:
    return f"{some:.3g} of {whole:.3g}" if whole else ""


def _ratio(*logs: float) -> str:
    """A likelihood ratio with its limits, from their logarithms to base 10."""
    ratio, low, high = map(ratio_of_log_words, logs)
    return f"{ratio} ({low}–{high})"
