"""A person's ruling on the speed of a transfer, as a new row of ``catalogue/speed_decision.csv``; none is replaced."""

import datetime

from pipeline.errors import DataError, UsageError, typed
from pipeline.store.adding.editing import EditableTable
from pipeline.store.catalogue.problems import did_you_mean
from pipeline.store.checks.changed_audio import Hashes
from pipeline.store.corpus import Corpus
from pipeline.store.files.changes import changing
from pipeline.store.schema import load

TABLE = "speed_decision"


def rule(
    corpus: Corpus, transfer_id: str, *, rank: int | None, one_speed: bool, reason: str, by: str, on: datetime.date
) -> dict[str, str]:
    """Enters a ruling for a transfer and gives its cells, as text by column.

    Parameters
    ----------
    rank : which of the listed readings of the speed it is for; None for none.
    one_speed : whether the side ran at one speed, so that no drift is corrected.
    reason, by, on : why, who ruled, and when.

    Raises
    ------
    UsageError
        If there is no such transfer, or no such reading is listed.
    DataError
        If there is a ruling on the transfer already, or its table cannot be changed.
    """
    transfers = [row["transfer_id"] for row in corpus.catalogue.rows("transfer")]
    if transfer_id not in transfers:
        cure = did_you_mean(transfer_id, transfers, otherwise="its id stands in transfer.csv")
        raise UsageError(f"no transfer {transfer_id!r} in transfer.csv", cure)
    cells = {"transfer_id": transfer_id} | (_reading(corpus, transfer_id, rank) if rank is not None else {})
    cells |= {"one_speed": "yes"} if one_speed else {}
    cells |= {"reason": reason, "decided_by": by, "decided_on": on.isoformat()}
    cells |= {"samples_sha256": Hashes(corpus).ran_on(transfer_id) or ""}  # for the sound it was judged on, no other
    with changing(corpus.root, doing="speed --rule") as change:
        table = EditableTable.read(corpus.root / "catalogue" / f"{TABLE}.csv", relation=load(TABLE))
        heads = table.rows[0]
        for number, row in enumerate(table.rows[1:], start=2):
            held = dict(zip(heads, row, strict=False))
            if held.get("transfer_id", "").strip() == transfer_id:
                raise DataError(
                    f"catalogue/{TABLE}.csv, row {number}: {transfer_id} has a ruling already, by "
                    f"{held.get('decided_by') or 'nobody named'}",
                    "change that row, or delete it and give the command again",
                )
        table.append(cells)
        table.into(change)
    return cells


def _reading(corpus: Corpus, transfer_id: str, rank: int) -> dict[str, str]:
    """What a listed reading says, as cells."""
    listed = corpus.read("speed_alternative", transfer_id)
    cure = f"`glideline speed {typed(corpus.root)} {transfer_id}` lists the readings"
    rows = [] if listed is None else listed.filter(rank=rank).to_dicts()
    if not rows:
        raise UsageError(f"{transfer_id} has no reading {rank}", cure)
    row = rows[0]
    return {
        "correction_cents": f"{row['offset_cents']:.2f}",
        "se_cents": f"{row['offset_se_cents']:.2f}",
        "reference_pitch_hz": f"{row['reference_pitch_hz']:.2f}",
        "key": row["key"] or "",
    }
