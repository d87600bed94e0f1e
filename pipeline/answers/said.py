"""A sentence with its cautions; one that holds for every sentence of an answer is said once, at their end."""

from collections.abc import Iterable
from typing import NamedTuple

BETWEEN = "; "
"""What stands between the parts of a warning in the cell of a view."""


class Said(NamedTuple):
    """A sentence without capital and full stop, and what to be cautious of in it."""

    text: str
    cautions: tuple[str, ...] = ()


def said(text: str, *cautions: str | None) -> Said:
    """A sentence with those cautions that are there; of a view's warning each part is one."""
    parts = [part for each in cautions if each for part in each.split(BETWEEN)]
    return Said(text, tuple(dict.fromkeys(parts)))


def in_words(given: Iterable[Said]) -> list[str]:
    """Sentences, each once, each with the cautions that are its own; what all share stands at the end."""
    all_said = list(dict.fromkeys(given))
    shared: list[str] = []
    if len(all_said) > 1:
        shared = [each for each in all_said[0].cautions if all(each in one.cautions for one in all_said)]
    texts = [_sentence(one.text, [each for each in one.cautions if each not in shared]) for one in all_said]
    if shared:
        texts.append(f"For the {len(all_said)} sentences above, caution: {BETWEEN.join(shared)}.")
    return texts


def _sentence(text: str, cautions: list[str]) -> str:
    return text[0].upper() + text[1:] + "." + (f" Caution: {BETWEEN.join(cautions)}." if cautions else "")
