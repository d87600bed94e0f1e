"""The steps of one transfer run one after another on samples, as the runner does it."""

import functools
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.settings import Settings
from pipeline.steps.base import Sound, StepInput
from pipeline.steps.order import STEPS
from pipeline.store import schema
from pipeline.store.catalogue.tables import Catalogue

TRANSFER, SESSION = "t-1", "s-1"
TABLES = {
    "session": "session_id\ns-1\n",
    "take": "take_id,session_id\nk-1,s-1\n",
    "side": "side_id\nd-1\n",
    "side_take": "side_id,take_id\nd-1,k-1\n",
    "transfer": "transfer_id,side_id,file,turntable_rpm\nt-1,d-1,one.wav,78.26\n",
    "player": "player_id,name\nanna,Anna Vint\n",
}


@functools.cache
def facts(instrument: str | None) -> dict[str, Mapping[str, Any]]:
    """What each step is told of one take of one player."""
    with tempfile.TemporaryDirectory() as folder:
        tables = {
            **TABLES,
            "performance": f"take_id,player_id,instrument,certainty\nk-1,anna,{instrument or ''},certain\n",
        }
        (Path(folder) / "catalogue").mkdir()
        for name, text in tables.items():
            (Path(folder) / "catalogue" / f"{name}.csv").write_text(text, encoding="utf-8")
        catalogue = Catalogue(Path(folder))
        assert not [problem for problem in catalogue.problems() if problem.severity == "error"]
        units = {"transfer": TRANSFER, "session": SESSION}
        return {step.name: step.facts(catalogue, units[step.scope]) for step in STEPS if step.scope in units}


def road(
    samples: npt.NDArray[Any], rate: int, *, instrument: str | None = "violin"
) -> tuple[dict[str, pl.DataFrame], dict[str, tuple[str, str]]]:
    """Tables by name, each checked against its schema, and how each step went.

    Raises
    ------
    AudioError
        If ``intake`` refuses the sound.
    """
    sound = Sound(np.asarray(samples, dtype=np.float32), rate)
    known, settings = facts(instrument), Settings()
    tables: dict[str, pl.DataFrame] = {}
    outcomes: dict[str, tuple[str, str]] = {}
    for step in STEPS:
        if step.scope == "corpus" or not set(step.reads) <= set(tables):
            continue
        given = StepInput(
            unit_id=TRANSFER,
            facts=known[step.name],
            settings=getattr(settings, step.name),
            tables={TRANSFER: {name: tables[name] for name in step.reads}},
            sound=lambda _: sound,
            samples_sha256={TRANSFER: "0" * 64},
        )
        output = step.run(given)
        outcomes[step.name] = output.outcomes[TRANSFER]
        for name, frame in output.tables[TRANSFER].items():
            tables[name] = schema.load(name).checked(frame)
    return tables, outcomes
