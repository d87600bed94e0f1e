"""How many takes and players there are, counted once each, and in words; every page, text and table asks here."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Counts:
    """Takes, and players who are named: a take of two players is one take, and nobody is no player."""

    takes: int
    players: int

    def words(self) -> str:
        """As ``8 takes of 3 players``."""
        return f"{counted(self.takes, 'take')} of {counted(self.players, 'player')}"


def counts(rows: Iterable[tuple[str | None, str | None]]) -> Counts:
    """Counts of pairs of a take's id and a player's; None where one is not known."""
    pairs = list(rows)
    takes, players = ({pair[place] for pair in pairs} - {None} for place in (0, 1))
    return Counts(len(takes), len(players))


def counted(number: int, what: str) -> str:
    """A number and a word for it: 1 take, 8 takes."""
    return f"{number:,} {what}{'' if number == 1 else 's'}"
