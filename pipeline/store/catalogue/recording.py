"""Rules of the catalogue that several places need: what a side carries, who plays the solo on it, when it was made.

Each rule stands here once for Python and once as a view of the layer ``stage`` for SQL.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from pipeline.instruments import INSTRUMENTS
from pipeline.store.catalogue.tables import Catalogue

Row = Mapping[str, Any]

SOLO_ROLES = (None, "soloist")
"""Roles that may be the soloist's; an empty one is taken for it."""

OTHER_LINES = {
    "voice": "a voice",
    "second_string": "a second string player",
    "ensemble": "an ensemble",
    "orchestra": "an orchestra",
}
"""Accompaniments that play lines of their own, in words: whose slide it is cannot be told without passages, except
beside bowed players who are known (``bowed_beside``)."""


def takes_on(catalogue: Catalogue, side_id: str) -> list[Row]:
    """The takes on a side in the order in which they are heard on it; without a position, by id."""
    links = sorted(
        catalogue.rows("side_take", side_id=side_id),
        key=lambda link: (link["position"] is None, link["position"] or 0, link["take_id"]),
    )
    return [take for link in links if (take := catalogue.row("take", link["take_id"]))]


def may_be_soloist(performance: Row) -> bool:
    """Whether a performance can be the solo whose slides are looked for: by its role, and bowed as far as is known."""
    return performance["role"] in SOLO_ROLES and performance["instrument"] in (None, *INSTRUMENTS)


def soloists_of(catalogue: Catalogue, take_id: str) -> list[Row]:
    """The performances of a take that can be its solo, by instrument and player."""
    played = [row for row in catalogue.rows("performance", take_id=take_id) if may_be_soloist(row)]
    return sorted(played, key=lambda row: (row["instrument"] or "", row["player_id"]))


def bowed_beside(catalogue: Catalogue, take: Row) -> list[str | None]:
    """Instruments of the bowed players beside the one soloist of a take; None where it is not known which.

    Those that ``performance`` names, else one where the accompaniment is another bowed instrument. None at all where a
    voice or an orchestra sounds too, whose lines are no player's, or where nobody or several are the soloist.
    """
    if len(soloists_of(catalogue, take["take_id"])) != 1 or take["accompaniment"] in ("voice", "orchestra"):
        return []
    named = [
        row["instrument"]
        for row in catalogue.rows("performance", take_id=take["take_id"])
        if row["role"] not in SOLO_ROLES and row["instrument"] in INSTRUMENTS
    ]
    return sorted(named) or ([None] if take["accompaniment"] == "second_string" else [])


def is_one_speed_alone(decision: Row) -> bool:
    """Whether a row of ``speed_decision`` rules that a side ran at one speed, and says nothing of how fast."""
    said = (decision[name] for name in ("playing_rpm", "correction_cents", "reference_pitch_hz"))
    return decision["one_speed"] == "yes" and all(value is None for value in said)


def instrument_of(catalogue: Catalogue, take_ids: Iterable[str]) -> str | None:
    """The bowed solo instrument of these takes, if the catalogue names exactly one."""
    named = {row["instrument"] for take_id in take_ids for row in soloists_of(catalogue, take_id)} - {None}
    return str(named.pop()) if len(named) == 1 else None


def dating(catalogue: Catalogue, take: Row) -> Row:
    """The row whose ``recorded`` dates a take: its own, else its session's."""
    session = catalogue.row("session", take["session_id"]) if take["session_id"] else None
    return take if take["recorded"] or session is None else session
