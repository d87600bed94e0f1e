"""The step ``summarise``: rates, intervals and comparisons for the whole corpus, from the facts."""

from collections.abc import Mapping
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import polars as pl

from pipeline.settings import SummariseSettings
from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.database import views

COMPUTED = (
    "melody",
    "speed",
    "note",
    "transition",
    "slide",
    "solo_span",
    "chord",
    "chord_note",
    "transition_hand",
    "recovery",
    "written_fit",
    "written_match",
    "written_heard",
    "fingering_match",
    "written_heard",
)
KEPT = (
    "player",
    "teaching",
    "school",
    "school_membership",
    "period",
    "session",
    "take",
    "side",
    "side_take",
    "transfer",
    "performance",
    "review",
    "drawn_item",
    "written_part",
    "written_note",
    "written_way",
)
# Beyond these DuckDB writes to disk what it does not need at once: while the facts are made, when there is little else,
# and when numpy holds every find of the corpus beside them (judgement: as much as numpy takes).
MEMORY_AT_FIRST, MEMORY = "800MB", "400MB"
# Prose and rights change no number; leaving them out keeps a mended note from repeating the step.
_PROSE = ("note", "comment", "inscription", "processing", "description", "archive", "shelf_mark", "citation")


def _facts(catalogue: Catalogue, unit_id: str) -> Mapping[str, Any]:
    facts = {}
    for name in KEPT:
        relation = schema.load(name)
        frame: pl.DataFrame = catalogue.frame(name)
        kept = [c.name for c in relation.columns if c.name not in _PROSE and c.name in frame.columns]
        chosen = frame.select(kept).with_columns(pl.selectors.date().cast(pl.String))
        facts[name] = chosen.sort(kept, nulls_last=True).to_dicts()
    return facts


def _run(given: StepInput[SummariseSettings]) -> StepOutput:
    from pipeline.steps.summarise.results import result_tables

    settings = given.settings
    sources: dict[str, views.Source] = {}
    for name in KEPT:
        sources[name] = _typed(name, given.facts[name])
    sources |= given.files
    sources["run"] = _heard(given.samples_sha256)
    with TemporaryDirectory() as spill, duckdb.connect() as con:
        con.execute("set threads = 1").fetchall()
        con.execute(f"set memory_limit = '{MEMORY_AT_FIRST}'").fetchall()
        con.execute("set temp_directory = $1", [spill]).fetchall()
        con.execute("set enable_progress_bar = false").fetchall()  # a worker looks to DuckDB like a person at a prompt
        # Compressed, so that five times as much is held before any is written to disk.
        con.execute("attach ':memory:' as counted (compress)").fetchall()
        con.execute("use counted").fetchall()
        views.create_layers(con, sources, layers=("base", "stage", "fact", "tally"), stored=("stage", "fact"))
        con.execute(f"set memory_limit = '{MEMORY}'").fetchall()
        made = result_tables(con, seed=settings.seed, replicates=settings.replicates, recalibrate=settings.recalibrate)
    groups = made["estimate"].select("grouping", "group_key").n_unique()
    return StepOutput({"corpus": made}, {"corpus": ("done", f"{groups} groups")})


def _heard(samples_sha256: Mapping[str, str]) -> pl.DataFrame:
    """Rows of ``run`` that say no more than which samples each transfer has now: verdicts on others do not count."""
    relation = schema.load("run")
    given = pl.DataFrame(
        {"transfer_id": list(samples_sha256), "samples_sha256": list(samples_sha256.values())},
        schema={"transfer_id": pl.String, "samples_sha256": pl.String},
    ).sort("transfer_id")
    return given.with_columns(
        pl.lit({"outcome": "done", "step_version": 1}.get(column.name, "")).alias(column.name)
        for column in relation.columns
        if column.required and column.name not in given.columns
    )


def _typed(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    relation = schema.load(name)
    wanted = relation.polars_schema()
    if not rows:
        return relation.empty()
    present = {column: kind for column, kind in wanted.items() if column in rows[0]}
    text = {column: pl.String() if kind == pl.Date() else kind for column, kind in present.items()}
    frame = pl.DataFrame(rows, schema=text, orient="row").with_columns(
        pl.col(column).str.to_date() for column, kind in present.items() if kind == pl.Date()
    )
    missing = [pl.lit("").alias(c.name) for c in relation.columns if c.required and c.name not in present]
    return frame.with_columns(missing)


STEP = Step(
    name="summarise",
    version=36,
    scope="corpus",
    reads=COMPUTED,
    writes=tuple(relation.name for relation in schema.relations("result")),
    facts=_facts,
    run=_run,
)
