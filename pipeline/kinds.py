"""The kinds of slide and the strokes that carry one, in the order in which tables list them."""

from collections.abc import Sequence
from enum import StrEnum, auto


class Kind(StrEnum):
    """Which finger slides; a member is the name that stands in tables."""

    SAME_FINGER = auto()
    DEPARTING_FINGER = auto()
    ARRIVING_FINGER = auto()
    TWO_FINGER = auto()
    INTO_NOTE = auto()
    CANNOT_TELL = auto()

    @property
    def place(self) -> int:
        """Where the kind stands in arrays of probabilities."""
        return KINDS.index(self)


KINDS = tuple(Kind)
NAMED_KINDS = tuple(kind for kind in Kind if kind is not Kind.CANNOT_TELL)
"""All but the one that says that none is told; the first places of ``KINDS``."""
STROKES = ("before", "after", "both")


def likeliest_named(probabilities: Sequence[float]) -> Kind:
    """The likeliest of ``NAMED_KINDS``, by probabilities in the order of ``KINDS``; the first of equals."""
    return max(NAMED_KINDS, key=lambda kind: probabilities[kind.place])
