"""A count with its word, in the singular where it is one: every text asks here."""

FEW_COUNTED = 5
"""Slides, or others of which a rate tells, below which it goes with a warning (common practice, no source)."""


def counted(number: float, what: str) -> str:
    """A number and a word for it: 1 take, 8 takes; with a decimal only where takes count by their shares."""
    return f"{_figures(number)} {what}{'' if _is_whole(number) and round(number) == 1 else 's'}"


def short_of(number: float, needed: float, what: str, purpose: str) -> str:
    """That there are fewer than something needs, in the one wording for it: 3 of the 5 slides that a rate needs."""
    there = _figures(number) if number else "none"
    return f"{there} of the {_figures(needed)} {what}s that {purpose} needs"


def _is_whole(number: float) -> bool:
    return abs(number - round(number)) < 0.005


def _figures(number: float) -> str:
    return f"{number:,.{0 if _is_whole(number) else 1}f}"
