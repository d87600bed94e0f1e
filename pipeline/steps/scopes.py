"""What a step runs on: transfers, sessions with their transfers, or the corpus.

A transfer belongs to a session if all takes on its side were recorded in that one session. A transfer without
one is a session of its own, with the unit id ``alone:<transfer_id>`` (a colon stands in no catalogue id).
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
    sessions = takes.group_by("transfer_id").agg(pl.col("session_id").unique()).sort("transfer_id")
    members: dict[str, list[str]] = defaultdict(list)
    for transfer_id, ids in sessions.iter_rows():
        known = [session_id for session_id in ids if session_id is not None]
        members[known[0] if len(ids) == 1 and known else ALONE + transfer_id].append(transfer_id)
    return {unit: tuple(members[unit]) for unit in sorted(members)}


def session_transfers(catalogue: Catalogue, unit_id: str) -> tuple[str, ...]:
    """The transfers of one session; see ``session_units``."""
    if unit_id.startswith(ALONE):
        return (unit_id.removeprefix(ALONE),)
    return session_units(catalogue)[unit_id]
