"""How many takes and players there are, counted once each, and in words; every page, text and table asks here."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from pipeline.counted import counted


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


def with_soloists(
    rows: Iterable[tuple[str, str | None]], performances: Iterable[Mapping[str, str | None]]
) -> Iterator[tuple[str, str | None]]:
    """Pairs of a take and a player; of a take that counts for nobody since several play it, each of these.

    ``performances``: rows of ``base.performance``.
    """
    playing: dict[str | None, list[str | None]] = {}
    for row in performances:
        if row["role"] in (None, "soloist"):
            playing.setdefault(row["take_id"], []).append(row["player_id"])
    for take_id, player_id in rows:
        for each in [player_id] if player_id else playing.get(take_id, [None]):
            yield take_id, each
