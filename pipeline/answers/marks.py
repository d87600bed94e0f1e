"""Compares listeners' own marks of slides with the slides found, in the solo that was counted.

Finds are taken before any verdict. A transfer counts as marked once it holds a mark, and then all its counted solo
does: whoever marks a side is taken to have marked all of it. Times are transfer times, as the marks are.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.errors import DataError, UsageError
from pipeline.stats.agreement import clustered_share
from pipeline.stats.intervals import Interval
from pipeline.stats.marks import Differences, Tolerances, differences, f_measure, match
from pipeline.store.corpus import Corpus
from pipeline.store.database.read import open_read_only

# A slide's start and end are heard to about this; a long slide's end less well.
USUAL = Tolerances(start_s=0.1, end_s=0.1, end_share=0.2)
_TIMES = ("transfer_start_s", "transfer_end_s")

_FINDS = """
select
    slide.transfer_id, slide.transfer_audible_start_s as transfer_start_s,
    slide.transfer_audible_end_s as transfer_end_s, slide.kind,
from base.slide order by all
"""
_SPANS = """
select transfer_id, transfer_start_s as span_start_s, transfer_end_s as span_end_s
from base.solo_span where counted order by all
"""
_SOUND = "select transfer_id, samples_sha256 as samples_now from stage.current_sound order by transfer_id"


@dataclass(frozen=True)
class Agreement:
    """How many marks and finds pair under one rule, as precision (of finds), recall (of marks) and F."""

    rule: str
    pairs: int
    precision: Interval
    recall: Interval
    f: float


@dataclass(frozen=True)
class MarkComparison:
    """One listener's marks against the finds.

    Attributes
    ----------
    transfers : transfers with marks. marks, finds : in their counted solo. outside : marks outside it.
    other_sound : marks made on other samples than the transfer has now; they wait.
    measures : by start and end (the rule that the rest follows), by start alone, by end alone.
    start_late, end_late : find minus mark over the pairs.
    kinds : how often each kind marked was found as which kind, over pairs where a kind was marked.
    """

    listener: str
    tolerances: Tolerances
    transfers: int
    marks: int
    finds: int
    outside: int
    other_sound: int
    measures: tuple[Agreement, ...]
    start_late: Differences
    end_late: Differences
    kinds: tuple[tuple[str, str, int], ...]
    kinds_right: Interval


def compare_marks(
    root: Path | str, *, listener: str | None = None, tolerances: Tolerances = USUAL
) -> tuple[MarkComparison, ...]:
    """Compare the marks of one listener, or of each listener there is, with the slides found.

    Raises
    ------
    DataError
        If there is no database, or no mark.
    UsageError
        If that listener has no marks.
    """
    corpus = Corpus(root)
    marks = corpus.catalogue.frame("mark")
    names = sorted(set(marks["listener"]))
    if not names:
        raise DataError(
            f"{corpus.root / 'reviews'}: nobody has marked slides",
            "write reviews/<listener>.marks.csv with the "
            "columns of `glideline dictionary` (transfer_id, samples_sha256, transfer_start_s, transfer_end_s, …)",
        )
    if listener is not None and listener not in names:
        raise UsageError(f"no marks of {listener!r}", f"there are marks of {', '.join(names)}")
    with open_read_only(corpus.root) as con:
        finds, spans, sound = (con.sql(text).pl() for text in (_FINDS, _SPANS, _SOUND))
    return tuple(
        _compared(marks.filter(pl.col("listener") == name), finds, spans, sound, name, tolerances)
        for name in names
        if listener in (None, name)
    )


def _compared(
    marks: pl.DataFrame,
    finds: pl.DataFrame,
    spans: pl.DataFrame,
    sound: pl.DataFrame,
    listener: str,
    within: Tolerances,
) -> MarkComparison:
    known = marks.join(sound, on="transfer_id", how="left")
    current = known.filter(pl.col("samples_sha256") == pl.col("samples_now").fill_null(pl.col("samples_sha256")))
    counted = _counted(current, spans)
    transfers = sorted(set(current["transfer_id"]))
    own = _counted(finds.filter(pl.col("transfer_id").is_in(transfers)), spans)
    rules = {
        "start and end": within,
        "start": Tolerances(within.start_s, np.inf, 0.0),
        "end": Tolerances(np.inf, within.end_s, within.end_share),
    }
    sides = [
        (counted.filter(pl.col("transfer_id") == name), own.filter(pl.col("transfer_id") == name)) for name in transfers
    ]
    pairs = {
        rule: [match(m.select(_TIMES).to_numpy(), f.select(_TIMES).to_numpy(), tolerances=held) for m, f in sides]
        for rule, held in rules.items()
    }
    chief = [
        (m[p[:, 0].tolist()], f[p[:, 1].tolist()]) for (m, f), p in zip(sides, pairs["start and end"], strict=True)
    ]
    marked = pl.concat([m for m, _ in chief]) if chief else counted
    found = pl.concat([f for _, f in chief]) if chief else own
    told = pl.DataFrame({"marked": marked["kind"], "found": found["kind"]}).filter(
        pl.col("marked").is_not_null() & (pl.col("marked") != "cannot_tell")
    )
    table = told.group_by("marked", "found").len().sort("marked", "found")
    right = int((told["marked"] == told["found"]).sum())
    return MarkComparison(
        listener=listener,
        tolerances=within,
        transfers=len(transfers),
        marks=counted.height,
        finds=own.height,
        outside=current.height - counted.height,
        other_sound=known.height - current.height,
        measures=tuple(
            _agreement(rule, [len(p) for p in made], [m.height for m, _ in sides], [f.height for _, f in sides])
            for rule, made in pairs.items()
        ),
        start_late=differences(marked["transfer_start_s"].to_numpy(), found["transfer_start_s"].to_numpy()),
        end_late=differences(marked["transfer_end_s"].to_numpy(), found["transfer_end_s"].to_numpy()),
        kinds=tuple(table.iter_rows()),
        kinds_right=clustered_share([right], [told.height], seed=[0, 2]),
    )


def _counted(stretches: pl.DataFrame, spans: pl.DataFrame) -> pl.DataFrame:
    """Those whose middle lies in counted solo, by transfer and time."""
    middle = (pl.col("transfer_start_s") + pl.col("transfer_end_s")) / 2
    return (
        stretches.with_row_index("place")
        .join(spans, on="transfer_id", how="inner")
        .filter((middle >= pl.col("span_start_s")) & (middle < pl.col("span_end_s")))
        .unique("place")
        .sort("transfer_id", *_TIMES)
        .drop("place", "span_start_s", "span_end_s")
    )


def _agreement(rule: str, pairs: list[int], marks: list[int], finds: list[int]) -> Agreement:
    precision = clustered_share(pairs, finds, seed=[0, 0])
    recall = clustered_share(pairs, marks, seed=[0, 1])
    return Agreement(rule, sum(pairs), precision, recall, f_measure(precision.estimate, recall.estimate))
