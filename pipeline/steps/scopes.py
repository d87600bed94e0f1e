"""What a step runs on: transfers, sessions with their transfers, or the corpus.

A transfer belongs to a session if all takes on its side were recorded in that one session. The transfers of a side
without one are a session of their own, with the unit id ``alone:<transfer_id>`` of the first (a colon stands in no
catalogue id).
"""

from collections import defaultdict
from functools import lru_cache

import polars as pl

from pipeline.store.catalogue.tables import Catalogue

CORPUS = "corpus"
WHOLE = (CORPUS, (CORPUS,))
"""The corpus as a unit, and its one member."""
ALONE = "alone:"


def transfer_ids(catalogue: Catalogue) -> list[str]:
    """Ids of all transfers of the catalogue, sorted."""
    return sorted(catalogue.frame("transfer")["transfer_id"].to_list())


@lru_cache(maxsize=2)
def session_units(catalogue: Catalogue) -> dict[str, tuple[str, ...]]:
    """Unit id of each session -> its transfers, both sorted."""
    takes = (
        catalogue.frame("transfer")
        .select("transfer_id", "side_id")
        .join(catalogue.frame("side_take").select("side_id", "take_id"), on="side_id", how="left")
        .join(catalogue.frame("take").select("take_id", "session_id"), on="take_id", how="left")
    )
    sides = takes.group_by("side_id").agg(pl.col("session_id", "transfer_id").unique())
    members: dict[str, list[str]] = defaultdict(list)
    for _, sessions, transfers in sides.iter_rows():
        known = [session_id for session_id in sessions if session_id is not None]
        members[known[0] if len(sessions) == 1 and known else ALONE + min(transfers)] += transfers
    return {unit: tuple(sorted(members[unit])) for unit in sorted(members)}


def session_transfers(catalogue: Catalogue, unit_id: str) -> tuple[str, ...]:
    """The transfers of one session; see ``session_units``."""
    return session_units(catalogue)[unit_id]
