"""The real steps with their facts, settings and tables, but with made rows instead of arithmetic.

So a corpus of thousands of transfers can go through the real flow, and be asked how it stands, in minutes.
"""

from dataclasses import replace

import polars as pl

from pipeline.steps.base import Step, StepInput, StepOutput
from pipeline.steps.order import STEPS as REAL
from tests.helpers.quick_steps import filled

_LETTERS = {"note": "n", "slide": "s", "transition": "t", "glide": "o", "chord": "c", "recovery": "r"}
_NAME = "§"
"""Stands for the name of a side in rows that are to be repeated."""


def _made(table: str, transfer_id: str) -> pl.DataFrame:
    """Forty rows that belong together over all tables; every slide and transition counts."""
    frame = filled(table, transfer_id, transfer_id, table)
    take = pl.lit("t-" + transfer_id.removesuffix("-a")).alias("take_id")
    changed = [take] if "take_id" in frame.columns else []
    changed += [pl.lit(True).alias(name) for name, kind in frame.schema.items() if kind == pl.Boolean]
    if table == "solo_span":  # one, which holds all the rest: spans do not overlap
        frame = frame.head(1)
        ends = {"transfer_start_s": 0.0, "start_s": 0.0, "transfer_end_s": 86_400.0, "end_s": 86_400.0}
        changed += [pl.lit(value).alias(name) for name, value in ends.items()] + [pl.lit("p").alias("player_id")]
    only = {"speed_rank": pl.lit(1, pl.Int64), "speed_share": pl.lit(1.0)}
    changed += [value.alias(name) for name, value in only.items() if name in frame.columns]
    number = pl.int_range(pl.len()).cast(pl.String)
    for name in frame.columns:
        letter = next((letter for end, letter in _LETTERS.items() if name.endswith(f"{end}_id")), None)
        if letter:
            changed.append((pl.lit(f"{transfer_id}-{letter}") + number).alias(name))
    return frame.with_columns(changed)


def made(table: str, transfers: list[str]) -> pl.DataFrame:
    """The same for many transfers at once; their names end in ``-a``."""
    one = _made(table, f"{_NAME}-a")
    names = pl.DataFrame({_NAME: [name.removesuffix("-a") for name in transfers]})
    texts = [name for name, kind in one.schema.items() if kind == pl.String and one[name].str.contains(_NAME).any()]
    named = []
    for text in texts:
        parts = pl.col(text).str.split_exact(_NAME, 1).struct
        named.append(pl.concat_str(parts.field("field_0"), pl.col(_NAME), parts.field("field_1")).alias(text))
    return names.join(one, how="cross").with_columns(named).select(one.columns)


def _simulated(step: Step) -> Step:
    def run(given: StepInput) -> StepOutput:
        names = sorted(given.tables) if step.scope == "session" else [given.unit_id]
        for name in names if step.needs_sound else ():
            given.sound(name)
        return StepOutput({t: {table: _made(table, t) for table in step.writes} for t in names})

    return replace(step, run=run)


STEPS = tuple(step if step.scope == "corpus" else _simulated(step) for step in REAL)
