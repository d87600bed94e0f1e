"""Cross checks of listeners' verdicts and marks; there may be very many, so only those that are wrong become rows."""

import polars as pl

from pipeline.store.checks.findings import Findings

# The listener whose file it is: reviews/lea.csv, reviews/lea.marks.csv
_OWNER = pl.col("_file").str.extract(r"([^/]*?)(?:\.marks)?\.csv$")


def check_reviews(found: Findings) -> None:
    """Adds what is wrong or noteworthy in reviews/."""
    catalogue = found.catalogue
    lengths = catalogue.frame("transfer").select("transfer_id", "length_s")
    for table in ("review", "mark"):
        rows = catalogue.placed(table)
        for row in rows.filter(pl.col("transfer_end_s") <= pl.col("transfer_start_s")).iter_rows(named=True):
            message = f"is not after transfer_start_s ({row['transfer_start_s']:g})"
            found.error(table, row, "transfer_end_s", message, "exchange the two")
        beyond = rows.join(lengths, on="transfer_id").filter(pl.col("transfer_start_s") > pl.col("length_s") + 1.0)
        for row in beyond.iter_rows(named=True):
            message = f"is beyond the side's {row['length_s']:g} s"
            found.error(table, row, "transfer_start_s", message, "count from the beginning of the transfer")
        strayed = rows.with_columns(owner=_OWNER).filter(pl.col("owner") != pl.col("listener"))
        for row in strayed.iter_rows(named=True):
            message = f"stands in the file of {row['owner']}"
            found.error(table, row, "listener", message, f"move the row to reviews/{row['listener']}.csv")
    unheard = catalogue.placed("review").filter(pl.col("kind").is_not_null() & (pl.col("verdict") != "slide"))
    for row in unheard.iter_rows(named=True):
        message = f"is given though the verdict is {row['verdict']}"
        found.error("review", row, "kind", message, "leave it empty, or mend the verdict")
