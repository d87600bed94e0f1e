"""Which edition each take follows in a passage, in words: what speaks for it and against it, and how much."""

from collections.abc import Sequence
from typing import Any

from pipeline.answers.number_words import doubt_words, near_one_caution, ratio_of_log_words
from pipeline.answers.passages.gather import Passage
from pipeline.counted import short_of
from pipeline.stats.editions import LEAST_PLACES

Row = dict[str, Any]
HEADS = ("take", "edition", "at shifts", "elsewhere", "fingers", "ratio (95 %)", "to others", "follows it?")
_CAUTION = (
    "At shifts: places slid of those at which the edition moves the hand or prints a slide; elsewhere: of those at "
    "which it keeps the hand. Fingers: where nobody slid, those that are as printed. Ratio: how many times as likely "
    "all this is if the edition was followed as by chance (of fingers: by others' habits there); below 1 it speaks "
    "against. To others: against that other edition which comes nearest."
)
_SAYS = {"followed": "yes", "not_followed": "no", "cannot_tell": "cannot tell"}


def lines(passage: Passage) -> list[tuple[str, ...]]:
    """A line with cells as in ``HEADS`` for each take and edition of which there is evidence in these bars."""
    return [_line(row) for row in passage.followed if row["state"] == "told"]


def caution(passage: Passage) -> str:
    """How the lines are to be read."""
    return _CAUTION + near_one_caution(cell for line in lines(passage) for cell in line)


def of_teachers(passage: Passage) -> list[str]:
    """Whether each take follows the edition of its player's teacher: a sentence with its number."""
    taught = {(row["player_id"], row["edition"]): row for row in passage.taught}
    players = {take.take_id: take for take in passage.takes}
    pairs = [(players[row["take_id"]], row) for row in passage.followed if row["take_id"] in players]
    return [
        _of_teacher(take.take_id, take.by, taught[take.player_id, row["edition"]], row)
        for take, row in pairs
        if (take.player_id, row["edition"]) in taught and row["state"] != "other_music"
    ]


_FOLLOWS = {
    "followed": "follows that teacher's edition",
    "not_followed": "does not follow that teacher's edition",
    "cannot_tell": "may or may not follow that teacher's edition",
}


def _of_teacher(take_id: str, player: str, link: Row, row: Row) -> str:
    who = f"{player}, student of {link['teacher']}{doubt_words(link['certainty'], 'teaching')},"
    if row["state"] == "too_little":
        told = f"cannot be told: {_too_little(row)}"
        return f"{take_id}: whether {who} follows that teacher's edition ({row['edition']}) {told}."
    said = f"{take_id}: {who} {_FOLLOWS[row['verdict']]} ({row['edition']})"
    chance = f": what is heard is {_times(row, 'log10_ratio')} if it is followed as by chance"
    others = (
        ""
        if row["against_others"] is None
        else f", and {_times(row, 'against_others')} as if another edition is followed"
    )
    return f"{said}{chance}{others}."


def _times(row: Row, name: str) -> str:
    ratio, low, high = (ratio_of_log_words(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    return f"{ratio} times as likely (95 % limits {low}–{high})"


def refused(passage: Passage) -> list[str]:
    """Sentences on those of which nothing is said: too few places, or other music."""
    said = []
    if few := [row for row in passage.followed if row["state"] == "too_little"]:
        every = not lines(passage)
        most = max(few, key=lambda row: row["places"])
        said.append(
            "Which edition is followed cannot be told"
            + ("" if every else f" of {_takes(few, 'too_little')}")
            + f": {'at most ' if len(few) > 1 and 0 < most['places'] < LEAST_PLACES else ''}{_too_little(most)}"
            + ", of which the edition says whether the hand moves, or with which finger."
        )
    if other := _takes(passage.followed, "other_music"):
        said.append(f"Other music than the edition has, so nothing is said of it: {other}.")
    return said


def _too_little(row: Row) -> str:
    if row["places"] >= LEAST_PLACES:
        return f"the edition says the same of all {row['places']} places"
    return short_of(row["places"], LEAST_PLACES, "place", "an answer")


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
