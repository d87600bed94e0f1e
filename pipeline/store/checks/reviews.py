"""Cross checks of listeners' verdicts and marks."""

from pathlib import Path
from typing import Any

from pipeline.store.checks.findings import Findings


def check_reviews(found: Findings) -> None:
    """Adds what is wrong or noteworthy in reviews/."""
    catalogue = found.catalogue
    for table in ("review", "mark"):
        for row in catalogue.rows(table):
            if row["transfer_end_s"] <= row["transfer_start_s"]:
                message = f"is not after transfer_start_s ({row['transfer_start_s']:g})"
                found.error(table, row, "transfer_end_s", message, "exchange the two")
            transfer: dict[str, Any] = catalogue.row("transfer", row["transfer_id"]) or {}
            length = transfer.get("length_s")
            if length is not None and row["transfer_start_s"] > length + 1.0:
                message = f"is beyond the side's {length:g} s"
                found.error(table, row, "transfer_start_s", message, "count from the beginning of the transfer")
            file = catalogue.place(table, row)[0]
            named = Path(file).name.removesuffix(".csv").removesuffix(".marks")
            if row["listener"] != named:
                message = f"stands in the file of {named}"
                found.error(table, row, "listener", message, f"move the row to reviews/{row['listener']}.csv")
    for row in catalogue.rows("review"):
        if row["kind"] is not None and row["verdict"] != "slide":
            message = f"is given though the verdict is {row['verdict']}"
            found.error("review", row, "kind", message, "leave it empty, or mend the verdict")
